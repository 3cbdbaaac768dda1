"""How schemathesis sends the bodies that are text already; it reads this file as its hooks."""

from typing import Any

import schemathesis


@schemathesis.serializer("application/x-ndjson", "text/csv", "application/vnd.apache.parquet")
def as_text(ctx: Any, value: Any) -> bytes:
    if value is None:  # text has no null: nothing is sent
        return b""
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "surrogatepass")
