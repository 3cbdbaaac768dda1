"""The laws of a fleet as plain data: what `json` can write, and reads back to the last digit.

Small: about 30 kB a family. So laws that were learnt once go to whoever works out a part of the
fleet, and can be kept beside the answers that rest on them.
"""

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, Final

import numpy as np

from analysis.error_law import ErrorLaw
from analysis.family import FamilyLaws
from analysis.fleet import METHOD, METHOD_VERSION
from analysis.fleet_laws import FleetLaws
from analysis.outliers import ReadingScale
from analysis.tails import Tails
from analysis.time_basis import PaceSpreads, TimeBasis
from analysis.vocabulary import Direction

_METHOD: Final = {"name": METHOD, "version": METHOD_VERSION}


def to_record(laws: FleetLaws) -> dict[str, Any]:
    """Dicts, lists, strings and finite numbers, with the method that the laws belong to."""
    return {
        "method": dict(_METHOD),
        "families": [
            {
                "name": family.name,
                "direction": family.direction.value,
                "source": family.source,
                "basis": family.basis.value,
                "typical_pace": None if math.isnan(family.typical_pace) else family.typical_pace,
                "wrenches": family.wrenches,
                "checks": family.checks,
                "law": _numbers(family.law),
                "mode": _numbers(family.mode),
                "one": None if one is None else _numbers(one),
                "tails": _numbers(family.tails),
                "scale": _numbers(family.scale),
                "spreads": _numbers(family.spreads),
            }
            for key, family in laws.families.items()
            for one in [laws.ones.get(key)]
        ],
    }


def from_record(record: Mapping[str, Any]) -> FleetLaws:
    """The inverse of `to_record`.

    Raises ValueError for laws of another method or version: they must be learnt anew.
    """
    if record["method"] != _METHOD:
        raise ValueError(f"laws of the method {_METHOD} are wanted, not of {record['method']}")
    families, ones = {}, {}
    for row in record["families"]:
        pace = row["typical_pace"]
        family = FamilyLaws(
            name=row["name"],
            direction=Direction(row["direction"]),
            source=row["source"],
            basis=TimeBasis(row["basis"]),
            typical_pace=math.nan if pace is None else pace,
            wrenches=row["wrenches"],
            checks=row["checks"],
            law=_law(row["law"]),
            mode=_law(row["mode"]),
            tails=Tails(**row["tails"]),
            scale=ReadingScale(**{name: np.array(v) for name, v in row["scale"].items()}),
            spreads=PaceSpreads(**row["spreads"]),
        )
        families[family.direction, family.name] = family
        if row["one"] is not None:
            ones[family.direction, family.name] = _law(row["one"])
    return FleetLaws(families, ones)


def _numbers(values: ErrorLaw | Tails | ReadingScale | PaceSpreads) -> dict[str, Any]:
    found = {field.name: getattr(values, field.name) for field in fields(values)}
    return {name: v.tolist() if isinstance(v, np.ndarray) else v for name, v in found.items()}


def _law(numbers: Mapping[str, Any]) -> ErrorLaw:
    return ErrorLaw(**{name: np.array(values) for name, values in numbers.items()})
