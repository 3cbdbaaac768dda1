"""The checks of a shop as proofs that its wrenches may be accepted."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.prescribed_points import PointCount
from analysis.vocabulary import CheckKind, Direction
from service.records import CheckPaper

if TYPE_CHECKING:
    import polars as pl


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """One check that counts: what it measured, and who says so.

    day      UTC days since 1970-01-01
    passed   every reading within the wrench's tolerance, the tester taken as exact
    """

    check: str
    kind: CheckKind
    day: float
    passed: bool
    points: tuple[PointCount, ...]
    paper: CheckPaper


def proofs_of(
    deviations: "pl.DataFrame", papers: Mapping[str, CheckPaper]
) -> dict[tuple[str, Direction], tuple[Proof, ...]]:
    """The proofs of each wrench and direction, in the order in which checks count.

    deviations   frame of `analysis.deviation.with_deviations`
    papers       of every check in it
    """
    from analysis.standing import check_results

    counts: dict[str, list[PointCount]] = {}
    taken = deviations.group_by("check", "x").len().sort("check", "x")
    for check, x, readings in taken.iter_rows():
        counts.setdefault(check, []).append(PointCount(x, readings))
    proofs: dict[tuple[str, Direction], list[Proof]] = {}
    for row in check_results(deviations).iter_rows(named=True):
        proofs.setdefault((row["wrench"], Direction(row["direction"])), []).append(
            Proof(
                check=row["check"],
                kind=CheckKind(row["kind"]),
                day=row["day"],
                passed=row["passed"],
                points=tuple(counts[row["check"]]),
                paper=papers[row["check"]],
            )
        )
    return {key: tuple(each) for key, each in proofs.items()}
