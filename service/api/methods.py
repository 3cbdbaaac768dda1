"""HEAD wherever there is GET, OPTIONS that names every method of its path; all of it observed.

The framework answers HEAD with 405, and OPTIONS with the methods of one handler alone.
"""

from typing import Any, cast

from litestar import Litestar, Request
from litestar.types import HTTPScope, Message, Scope, Send

from service.api.observed import observed
from service.api.proxies import Proxies


class Application(Litestar):
    """The framework's application with these two methods answered in full.

    proxies   those whose word about TLS is taken
    """

    proxies = Proxies()

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http":
            await observed(self._answer, scope, receive, send, self._came_by_tls)
        else:
            await super().__call__(scope, receive, send)

    def _came_by_tls(self, scope: Any) -> bool:
        return self.proxies.came_by_tls(Request(scope))

    async def _answer(self, scope: Any, receive: Any, send: Any) -> None:
        method = scope.get("method")
        if method == "HEAD":
            as_get = cast("HTTPScope", {**scope, "method": "GET"})
            await super().__call__(as_get, receive, _without_body(send))
            scope["route_handler"] = as_get.get("route_handler")
        elif method == "OPTIONS":
            await super().__call__(scope, receive, self._with_every_method(scope, send))
        else:
            await super().__call__(scope, receive, send)

    def _with_every_method(self, scope: Scope, send: Send) -> Send:
        async def send_options(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] == 204:
                methods = set()
                for route in self.routes:
                    if route.path_format == scope["path_template"]:
                        methods |= route.methods
                if "GET" in methods:
                    methods.add("HEAD")
                message["headers"] = [(b"allow", ", ".join(sorted(methods)).encode())]
            await send(message)

        return send_options


def _without_body(send: Send) -> Send:
    async def send_head(message: Message) -> None:
        if message["type"] == "http.response.body":
            message["body"] = b""
        await send(message)

    return send_head
