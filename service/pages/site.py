"""How a page is made: a template of this package, escaped always, with what every page shows."""

from datetime import datetime
from functools import cache
from typing import Any, Final
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from litestar.plugins.jinja import JinjaTemplateEngine
from litestar.response import Template
from litestar.template import TemplateConfig

from analysis.numerals import chance, counted, number, percent
from service.api.access import Shop
from service.pages.assets import asset_path
from service.records import Policy
from service.wording import (
    direction_in_words,
    torque_in_words,
    unit_in_words,
    verdict_in_words,
    why_in_words,
)

_WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def template_config() -> TemplateConfig[JinjaTemplateEngine]:
    """The templates of the pages as the application wants them."""
    return TemplateConfig(instance=JinjaTemplateEngine.from_environment(_environment()))


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("service.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["asset"] = asset_path
    environment.filters |= {
        "chance": chance,
        "counted": counted,
        "direction": direction_in_words,
        "number": number,
        "percent": percent,
        "sentence": lambda text: text[:1].upper() + text[1:],
        "torque": torque_in_words,
        "unit": unit_in_words,
        "verdict": verdict_in_words,
        "why": why_in_words,
        "weekday": lambda day: _WEEKDAYS[day.weekday()],
    }
    return environment


def page(name: str, shop: Shop, policy: Policy, *, status: int = 200, **context: Any) -> Template:
    """The page of a template, with the shop's name and its time of day."""
    now = local_time(shop.now(), policy)
    return Template(
        template_name=name,
        context={"caller": shop.caller, "now": now, "zone": policy.time_zone, **context},
        status_code=status,
        media_type="text/html",
    )


def local_time(instant: datetime, policy: Policy) -> datetime:
    """The instant by the shop's clock."""
    return instant.astimezone(ZoneInfo(policy.time_zone))
