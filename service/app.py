"""The application: `create_app()` is the factory that a server calls."""

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from litestar import Litestar

from service.api.access import Shop
from service.api.body import MOST_BYTES, StrictRequest
from service.api.methods import Application
from service.api.problems import problem_response
from service.api.query import refuse_loose_query
from service.api.questions import Held, held_response
from service.api.routes import HANDLERS, dependencies
from service.clock import Clock
from service.openapi import openapi_json
from service.settings import Settings
from service.store import Store


def create_app(
    *, store: Store | None = None, shop: str | None = None, clock: Clock | None = None
) -> Application:
    """The application over one shop's records.

    store   opened, and closed by whoever opened it; None: opened from the settings, and closed
            when the application stops
    shop    key of the shop; None: from the settings
    clock   None: from the settings

    The settings are those of the environment. Raises UnusableSettings and StoreUnusable.
    """
    settings = Settings.from_environment(os.environ)
    opened = store or Store.open(settings.store)

    @asynccontextmanager
    async def close_what_was_opened(_: Litestar) -> AsyncIterator[None]:
        yield
        if store is None:
            opened.close()

    return Application(
        [*HANDLERS, openapi_json],
        dependencies=dependencies(Shop(opened, shop or settings.shop, clock or settings.clock())),
        before_request=refuse_loose_query,
        exception_handlers={Held: held_response, Exception: problem_response},
        lifespan=[close_what_was_opened],
        logging_config=None,
        openapi_config=None,
        request_class=StrictRequest,
        request_max_body_size=MOST_BYTES,
    )
