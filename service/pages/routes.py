"""Every route of the pages. They answer people, so none is in the description of the API."""

from typing import Final

from litestar import Router

from service.pages.assets import read_asset, read_bench_worker
from service.pages.bench import BenchPages
from service.pages.board import BoardPages
from service.pages.fastener import FastenerPage
from service.pages.faults import fault_page
from service.pages.headers import secured
from service.pages.jobs import JobPages
from service.pages.range import range_page
from service.pages.sign_in import sign_in, sign_in_page, sign_out
from service.pages.start import start_page
from service.pages.waits import ReadyStates
from service.pages.wrenches import WrenchPages

_SHOWN: Final = Router(
    path="/",
    route_handlers=[
        start_page,
        BenchPages,
        BoardPages,
        WrenchPages,
        JobPages,
        FastenerPage,
        range_page,
        ReadyStates,
        sign_in_page,
        sign_in,
        sign_out,
    ],
    exception_handlers={Exception: fault_page},
)
PAGES: Final = Router(
    path="/",
    route_handlers=[_SHOWN, read_asset, read_bench_worker],
    after_request=secured,
    include_in_schema=False,
)
