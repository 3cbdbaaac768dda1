"""Every reading of the shop as one table, sent as it is read."""

from collections.abc import Generator, Iterator
from contextlib import ExitStack
from itertools import islice
from typing import Annotated, Any, Final

from litestar import Controller, Request, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from analysis.vocabulary import CheckKind, Direction
from service.api import problem_kinds as kinds
from service.api.accept import wanted
from service.api.access import Shop
from service.api.answers import REVALIDATE
from service.api.conditional import digest_tag, is_fresh
from service.api.operations import TextBody, tells
from service.api.parameters import IfNoneMatch, instant_of
from service.api.piecewise import Sending
from service.api.questions import Held
from service.intake import CLOCK_SLACK
from service.reading_table import COLUMNS, Chosen, reading_batches, reading_schema
from service.tables import MEDIA_TYPES, TableForm, table_in

ANSWERED: Final = {
    MEDIA_TYPES[TableForm.ARROW]: TextBody(
        description="An Arrow IPC stream of record batches, sent while the store is read.",
        example="(bytes of an Arrow stream)",
        schema={"contentMediaType": MEDIA_TYPES[TableForm.ARROW]},
    ),
    MEDIA_TYPES[TableForm.PARQUET]: TextBody(
        description="A Parquet file of the same columns.",
        example="(bytes of a Parquet file)",
        schema={"contentMediaType": MEDIA_TYPES[TableForm.PARQUET]},
    ),
    MEDIA_TYPES[TableForm.CSV]: TextBody(
        description="The same columns under a line of their names; nothing where nothing is known.",
        example=(
            ",".join(COLUMNS) + "\n"
            "SP-101,spring,100.0,clockwise,00000000-0000-4000-8000-000000000001,as_found,"
            "2026-05-04T08:10:00.000000Z,20577.340277777777,3900.0,false,TB-1,bench 2,21.5,1,1,"
            "20.0,20.0,19.79,0.2,1.06114199090451,4.0\n"
        ),
    ),
}

WrenchQuery = Annotated[
    str | None,
    QueryParameter(
        description="Only readings of the wrench with this serial.", min_length=1, max_length=64
    ),
]
DirectionQuery = Annotated[
    Direction | None, QueryParameter(description="Only readings in this direction.")
]
KindQuery = Annotated[
    CheckKind | None, QueryParameter(description="Only readings of checks of this kind.")
]
From = Annotated[
    str | None,
    QueryParameter(
        name="from",
        description="Only checks performed at or after this instant (RFC 3339 with an offset).",
        format="date-time",
    ),
]
To = Annotated[
    str | None,
    QueryParameter(
        name="to",
        description="Only checks performed before this instant (RFC 3339 with an offset).",
        format="date-time",
    ),
]
Format = Annotated[
    TableForm | None,
    QueryParameter(description="Left out: what Accept asks for, arrow where it asks for nothing."),
]


class ReadingController(Controller):
    path = "/v1/readings"
    tags = ["checks"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readReadings",
        summary="Every reading as one table",
        description=(
            "One row a reading, for those who work with frames: its wrench, check and point, "
            "torque in N·m, deviation and limit in % of reading with the sign of ISO 6789, `day` "
            "in UTC days since 1970-01-01. `x` is the target as a share of full scale; `cycles` "
            "are read off the wrench, or counted from recorded work. Readings of voided checks are "
            "left out. All of it is one state of the records, however long the sending takes, in "
            "order of wrench, time, check, point and reading."
        ),
        sync_to_thread=True,
        opt=tells(kinds.NOT_ACCEPTABLE, kinds.UNKNOWN_RECORD, answered=ANSWERED),
    )
    def read(
        self,
        request: Request[Any, Any, Any],
        shop: NamedDependency[Shop],
        wrench: WrenchQuery = None,
        direction: DirectionQuery = None,
        kind: KindQuery = None,
        from_: From = None,
        to: To = None,
        format: Format = None,  # noqa: A002 - the parameter's own name
        if_none_match: IfNoneMatch = None,
    ) -> Sending:
        form = format or wanted(request.headers.get("accept"), MEDIA_TYPES)
        chosen = Chosen(
            wrench=wrench,
            direction=direction,
            kind=kind,
            since=None if from_ is None else instant_of(from_, "from"),
            until=None if to is None else instant_of(to, "to"),
        )
        with ExitStack() as opened:
            records = opened.enter_context(shop.read())
            if wrench is not None:
                records.wrenches.get(wrench)
            tag = digest_tag(
                "readings",
                shop.key,
                COLUMNS,
                records.evidence_version(),
                records.pulls_version(),  # recorded work counts cycles
                chosen,
                form,
            )
            if is_fresh(if_none_match, tag):
                raise Held(tag)
            batches = reading_batches(records, shop.now() + CLOCK_SLACK, chosen)
            pieces = _then_closed(table_in(form, reading_schema(), batches), opened.pop_all())
        # A fault in reading the first batch is told as a problem.
        beginning = b"".join(islice(pieces, 2))
        return Sending(
            beginning,
            pieces,
            media_type=MEDIA_TYPES[form],
            headers={"ETag": tag, "Vary": "Accept", **REVALIDATE},
        )


def _then_closed(pieces: Iterator[bytes], opened: ExitStack) -> Generator[bytes]:
    """The pieces; the snapshot that they come from ends with them, or when this is closed."""
    with opened:
        yield from pieces
