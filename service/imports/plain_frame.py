"""Checks of a frame with one row a reading, as long as its rows are in order and plain."""

import json
from collections.abc import Mapping
from itertools import islice, pairwise
from typing import TYPE_CHECKING, Final, TypeVar

from service.imports.bodies import without_nothing
from service.imports.cells import decimal_of, whole_of
from service.imports.check_csv import ALIKE, KEY
from service.imports.plain_file import Heads, PlainFile
from service.points_at_once import NotPlain, TorqueColumns

if TYPE_CHECKING:
    import polars as pl

NUMBERS: Final = ("target", "reading", "indicated")
_UNITS: Final = ("unit", "target_unit", "indicated_unit")
_OF_CARD: Final = ("issuer", "certificate", "issued_on", "serial", "model", "edition")
_NUMBERS_OF_CARD: Final = ("expanded_uncertainty_pct", "coverage_factor")
_CARD_COLUMNS: Final = tuple(name for name in (*KEY, *ALIKE) if name.startswith("card_"))
_NEVER_EMPTY: Final = ("wrench", "kind", "direction", "performed_at", "target", "reading", "unit")

Value = TypeVar("Value")


def plain_frame(frame: "pl.DataFrame", *, confirm_unusual: bool) -> PlainFile:
    """The checks of a frame with the columns of `check_csv`; raises NotPlain.

    NUMBERS are floats, all else is text as it would stand in a cell; null is an empty cell.
    """
    import polars as pl

    if frame.is_empty() or any(frame[column].null_count() for column in _NEVER_EMPTY):
        raise NotPlain
    told = [name for name in frame.columns if frame[name].null_count() < frame.height]
    of_check: list[str] = [name for name in (*KEY, *ALIKE) if name in told]
    of_point = ["target", *(name for name in _UNITS if name in told)]

    def begins(names: list[str]) -> "pl.Expr":
        return pl.any_horizontal(pl.col(names).ne_missing(pl.col(names).shift(1)))

    begun = frame.with_row_index("row").with_columns(check=begins(of_check))
    points = begun.filter(pl.col("check") | begins(of_point))
    first = points["row"].to_list()
    place_of_check = points["check"].arg_true().to_list()
    heads = Heads(confirm_unusual)
    for row in points.filter("check").select(of_check).iter_rows(named=True):
        _add(heads, row)
    return PlainFile(
        heads.drafts,
        _torques(
            heads,
            frame,
            points,
            points_of=_lengths(place_of_check, len(points)),
            readings_of=_lengths(first, frame.height),
        ),
    )


def _lengths(begins: list[int], end: int) -> list[int]:
    return [after - begin for begin, after in pairwise([*begins, end])]


def _add(heads: Heads, row: Mapping[str, str | None]) -> None:
    cell = row.get
    count = cell("cycle_count")
    heads.add(
        wrench=cell("wrench") or "",
        kind=cell("kind") or "",
        direction=cell("direction") or "",
        performed_at=cell("performed_at") or "",
        tester=cell("tester"),
        operator=cell("operator"),
        temperature_c=_number(cell("temperature_c")),
        cycle_count=None if count is None else _found(whole_of(count)),
        card=_card(row) if any(map(cell, _CARD_COLUMNS)) else None,
    )


def _card(row: Mapping[str, str | None]) -> bytes:
    """The card as the body of a check has it, in JSON."""
    cell = row.get
    if any(text != text.strip() for text in map(cell, ("card_issuer", "card_certificate")) if text):
        raise NotPlain  # which cards are one is decided without blanks
    card = {name: cell(f"card_{name}") for name in _OF_CARD} | {
        name: _number(cell(f"card_{name}")) for name in _NUMBERS_OF_CARD
    }
    mpd = {"percent": _number(cell("card_mpd_pct")), "basis": cell("card_mpd_basis")}
    return json.dumps(without_nothing({**card, "mpd": without_nothing(mpd) or None})).encode()


def _number(text: str | None) -> float | None:
    return None if text is None else _found(decimal_of(text))


def _found(value: Value | None) -> Value:
    if value is None:
        raise NotPlain
    return value


def _torques(
    heads: Heads,
    frame: "pl.DataFrame",
    points: "pl.DataFrame",
    *,
    points_of: list[int],
    readings_of: list[int],
) -> TorqueColumns:
    units = points["unit"].to_list()
    target_units, shown_units = (
        [own or unit for own, unit in zip(points[name].to_list(), units, strict=True)]
        if name in points.columns
        else [*units]
        for name in ("target_unit", "indicated_unit")
    )
    targets = points["target"].to_list()
    shown: list[float] | None = None
    if frame["indicated"].null_count() < frame.height:
        shown = []
        told = iter(frame["indicated"].to_list())
        for place, count in enumerate(readings_of):
            own = list(islice(told, count))
            if own.count(None) == count:
                shown_units[place] = target_units[place]
            elif None in own and shown_units[place] != target_units[place]:
                raise NotPlain  # an empty cell stands for a target in another unit
            shown += [targets[place] if value is None else value for value in own]
    return TorqueColumns(
        points_of=points_of,
        readings_of=readings_of,
        targets=targets,
        target_units=[*map(heads.unit, target_units)],
        measured=frame["reading"].to_list(),
        measured_units=[*map(heads.unit, units)],
        shown=shown,
        shown_units=[*map(heads.unit, shown_units)],
    )
