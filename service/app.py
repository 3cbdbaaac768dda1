"""The application: `create_app()` makes it, `create_served_app()` is what a server calls."""

import gc
import math
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from typing import Any, Final

from litestar import Litestar, Request
from litestar.di import Provide

from service.access.rates import Rates
from service.api.admission import Admission
from service.api.body import MOST_BYTES, StrictRequest
from service.api.fleet_days import FleetDays
from service.api.made_ready import MadeReady
from service.api.methods import Application
from service.api.problems import problem_response
from service.api.proxies import Proxies
from service.api.questions import Held, held_response
from service.api.routes import HANDLERS, dependencies
from service.api.shops import Shops
from service.api.warm_up import WarmUp
from service.clock import Clock
from service.logs import log_json_lines
from service.openapi import openapi_json
from service.pages.routes import PAGES
from service.pages.site import template_config
from service.settings import Settings
from service.store import Store

# A bench checks wrench after wrench: laws learnt once a minute are learnt from all of them.
_RELEARN_AFTER_S: Final = 60.0


def create_app(
    *,
    store: Store | None = None,
    shop: str | None = None,
    clock: Clock | None = None,
    warm: bool = False,
    relearn_after_s: float | None = None,
    learn_apart: bool = False,
) -> Application:
    """The application over a store; the token of each request says which shop of it.

    store   opened, and closed by whoever opened it; None: opened from the settings, and closed
            when the application stops
    shop    key of the shop whose forecasts are worked out first; None: from the settings
    clock   None: from the settings
    warm    whether these are worked out, in the background, when it starts
    relearn_after_s, learn_apart  as in `service.api.shops.Shops`

    The settings are those of the environment. Raises UnusableSettings and StoreUnusable.
    """
    settings = Settings.from_environment(os.environ)
    opened = store or Store.open(settings.store)
    shops = Shops(
        opened,
        clock or settings.clock(),
        relearn_after_s,
        settings.shops_mib,
        learn_apart=learn_apart,
    )
    proxies = Proxies(settings.trusted_proxies)
    admission = Admission(
        shops,
        settings.hosts,
        proxies,
        Rates(settings.requests_per_minute),
    )

    def fleet_days_of_caller(request: Request[Any, Any, Any]) -> FleetDays:
        return shops.held(request.auth.shop).fleet_days

    def made_ready_for_caller(request: Request[Any, Any, Any]) -> MadeReady:
        return shops.held(request.auth.shop).made_ready

    @asynccontextmanager
    async def running(_: Litestar) -> AsyncIterator[None]:
        warm_up = WarmUp(partial(shops.shop, shop or settings.shop))
        if warm:
            warm_up.start()
        yield
        warm_up.call_off()
        shops.call_off()
        if store is None:
            opened.close()

    app = Application(
        [*HANDLERS, openapi_json, PAGES],
        dependencies=dependencies(shops)
        | {
            "fleet_days": Provide(fleet_days_of_caller, sync_to_thread=False),
            "made_ready": Provide(made_ready_for_caller, sync_to_thread=False),
            "admission": Provide(lambda: admission, sync_to_thread=False),
        },
        before_request=admission.admit,
        after_response=admission.note_use,
        exception_handlers={Held: held_response, Exception: problem_response},
        lifespan=[running],
        logging_config=None,
        openapi_config=None,
        request_class=StrictRequest,
        request_max_body_size=MOST_BYTES,
        template_config=template_config(),
    )
    app.proxies = proxies
    return app


def _spare_the_collector() -> None:
    """What is loaded by now stays: looking through it for cycles cost a third of an import."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


def create_served_app() -> Application:
    """The application as a server runs it: from the environment, warmed up, quick to follow."""
    settings = Settings.from_environment(os.environ)
    log_json_lines(settings.log_level)
    _spare_the_collector()
    standing = settings.pinned_at is not None
    # Where the clock stands still nothing comes a minute later: answers stay as they were first.
    after_s = math.inf if standing else _RELEARN_AFTER_S
    return create_app(warm=True, relearn_after_s=after_s, learn_apart=True)
