"""Logs as JSON lines on standard error: one object a line, never a body, a header or a secret.

What is logged of a request is its id, method, operation, status and seconds. Its path and query
stay out: they hold serials, and might one day hold more.
"""

import json
import logging
import sys
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any, Final

# The request that this task answers, so that whatever is logged on its behalf can be found by it.
REQUEST_ID: Final[ContextVar[str | None]] = ContextVar("request_id", default=None)

_EXTRA: Final = ("method", "operation", "status", "seconds")


class JsonLines(logging.Formatter):
    """A record as one line of JSON."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        request_id = REQUEST_ID.get()
        if request_id is not None:
            line["request_id"] = request_id
        line |= {name: vars(record)[name] for name in _EXTRA if name in vars(record)}
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


def log_json_lines(level: str) -> None:
    """Have everything that this process logs written as JSON lines.

    level   name of the least that this service's own lines must be; of others it is a warning
    """
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    own = logging.getLevelNamesMapping()[level.upper()]
    logging.basicConfig(level=max(own, logging.WARNING), handlers=[handler], force=True)
    logging.getLogger("service").setLevel(own)
