"""The range study to look at: its charts as the API draws them, and the way to its printed page."""

from litestar import get
from litestar.di import NamedDependency
from litestar.response import Template

from service.api.access import Shop
from service.pages.site import page


@get("/range", sync_to_thread=True)
def range_page(shop: NamedDependency[Shop]) -> Template:
    with shop.read() as records:
        policy = records.policy.get()
    return page("range.html", shop, policy, low_mark=policy.caution_below)
