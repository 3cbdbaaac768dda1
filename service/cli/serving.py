"""The server, started over a store that is ready."""

import os
import socket
import threading
import time
from collections.abc import Callable
from typing import Final

import click

from service.settings import Settings

_PATIENCE_S: Final = 10  # with requests under way when the server is stopped


def with_free_port(settings: Settings) -> Settings:
    """The settings with a port that can be listened at; 0 becomes one that is free.

    Told here in one line, since a server process could only fail at it.
    """
    import dataclasses

    try:
        family, _, _, _, address = socket.getaddrinfo(
            settings.host, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(address)
            return dataclasses.replace(settings, port=probe.getsockname()[1])
    except OSError as error:
        raise click.ClickException(
            f"cannot listen at {settings.host} port {settings.port}: {error.strerror or error}; "
            "give another --host or --port"
        ) from error


def run_server(settings: Settings, *, workers: int = 1, on_answering: Callable[[], None]) -> None:
    """Serve until interrupted; `on_answering` is called when the service takes requests.

    workers   processes; nothing that one keeps in memory does another need
    """
    import multiprocessing

    from granian import Granian
    from granian.constants import Interfaces
    from granian.log import LogLevels

    # A worker is a process of its own and reads its settings from the environment.
    os.environ.update(settings.to_environment())
    # A forked worker would keep this process's signal handlers until it has its own, and miss an
    # interrupt that comes while it starts.
    multiprocessing.set_start_method("spawn", force=True)
    server = Granian(
        "service.app:create_served_app",
        factory=True,
        address=settings.host,
        port=settings.port,
        interface=Interfaces.ASGI,
        websockets=False,
        workers=workers,
        log_level=LogLevels.warning,
        workers_kill_timeout=_PATIENCE_S,
    )

    def announce() -> None:
        if _answers(settings):
            on_answering()

    server.on_startup(threading.Thread(target=announce, daemon=True).start)
    server.serve()


def _answers(settings: Settings) -> bool:
    """Whether the worker takes connections before a minute has passed."""
    end = time.monotonic() + 60
    while time.monotonic() < end:
        try:
            socket.create_connection((_near(settings.host), settings.port), timeout=1).close()
        except OSError:
            time.sleep(0.05)
        else:
            return True
    return False


def base_url(settings: Settings) -> str:
    """Where a browser on this machine finds the service."""
    host = _near(settings.host)
    return f"http://[{host}]:{settings.port}" if ":" in host else f"http://{host}:{settings.port}"


def _near(host: str) -> str:
    """The address at which this machine reaches what listens at every address."""
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104
