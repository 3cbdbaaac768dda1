"""The contributions to the uncertainty of a calibration, each from what was measured or is known.

All are standard uncertainties in % of reading, with what they rest on. A spread b, largest less
smallest of the means of several sequences of readings, is taken as the full width of a rectangle:
b / (2 sqrt 3). What nobody has found out is missing, which is not zero.

Sources: ISO 6789-2:2017, clause 6 (from memory); JCGM 100:2008 (GUM), 4.3.7 (rectangles) and G.4.2
(degrees of freedom of an uncertain uncertainty).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from analysis.errors import NotEnoughEvidence
from analysis.family import FamilyFit

FEWEST_TOOLS: Final = 10  # of one model, for a value of the type (ISO 6789-2, from memory)

Origin = Literal["measured", "assumed", "missing"]


class Term(StrEnum):
    """The contributions that a budget must account for."""

    REFERENCE_DEVICE = "reference_device"
    REFERENCE_DRIFT = "reference_drift"
    RESOLUTION = "resolution"
    REPRODUCIBILITY = "reproducibility"
    OUTPUT_DRIVE = "output_drive"
    INTERFACE = "interface"
    LOADING_POINT = "loading_point"
    REPEATABILITY = "repeatability"


IN_WORDS: Final = {
    Term.REFERENCE_DEVICE: "the uncertainty of the tester",
    Term.REFERENCE_DRIFT: "drift of the tester since its certificate",
    Term.RESOLUTION: "the resolution of the wrench",
    Term.REPRODUCIBILITY: "reproducibility (b_rep)",
    Term.OUTPUT_DRIVE: "variation from the output drive (b_od)",
    Term.INTERFACE: "variation from the drive interface (b_int)",
    Term.LOADING_POINT: "variation from the loading point (b_l)",
    Term.REPEATABILITY: "repeatability (b_re)",
}


@dataclass(frozen=True, slots=True)
class Contribution:
    """One contribution.

    standard_uncertainty_pct  % of reading, k = 1; None when missing
    origin                    measured: on this tool, or stated for this tool or tester; assumed:
                              known of its like; missing: not known
    degrees_of_freedom        infinite where the value is taken as exact; None when missing
    how                       where the value comes from, in words
    """

    name: Term
    standard_uncertainty_pct: float | None
    origin: Origin
    degrees_of_freedom: float | None
    how: str


def reference_device(
    expanded_uncertainty_pct: float, coverage_factor: float, degrees_of_freedom: float = math.inf
) -> Contribution:
    """U / k of the tester's certificate, % of reading; degrees of freedom when it states them."""
    return Contribution(
        Term.REFERENCE_DEVICE,
        expanded_uncertainty_pct / coverage_factor,
        "measured",
        degrees_of_freedom,
        f"U {expanded_uncertainty_pct:g} % with k {coverage_factor:g} on the tester's certificate",
    )


def reference_drift(half_width_pct: float, *, origin: Origin = "assumed") -> Contribution:
    """The tester may have moved by ± this, % of reading, since its certificate: a rectangle."""
    return Contribution(
        Term.REFERENCE_DRIFT,
        half_width_pct / math.sqrt(3.0),
        origin,
        math.inf,
        f"the tester within ±{half_width_pct:g} % of its certificate",
    )


def resolution(resolution_nm: float, target_nm: float, *, zero_is_read: bool) -> Contribution:
    """Resolution of the wrench at a target.

    resolution_nm  step of the scale or display, or the part of it that can be judged, > 0
    zero_is_read   a tool that indicates: its zero is read as well, and the term comes in twice
    """
    once = resolution_nm / (2.0 * math.sqrt(3.0)) / target_nm * 100.0
    twice = ", at zero and at the target" if zero_is_read else ""
    return Contribution(
        Term.RESOLUTION,
        once * math.sqrt(2.0) if zero_is_read else once,
        "measured",
        math.inf,
        f"{resolution_nm:.4g} N·m at {target_nm:.4g} N·m{twice}",
    )


def spread_of_sequences(term: Term, sequences: Sequence[ArrayLike]) -> Contribution:
    """b of this tool: the spread of the means of two or more sequences of readings.

    sequences  deviations of the readings, % of reading: four sequences of five for b_rep, ten at
               each of four or six positions for b_od and b_int, ten either side of the mark for b_l
               (counts from memory)

    Raises NotEnoughEvidence for fewer than two sequences.
    """
    means = [float(np.mean(np.asarray(each, dtype=np.float64))) for each in sequences]
    if len(means) < 2:
        raise NotEnoughEvidence(
            because=f"one sequence of readings shows no {IN_WORDS[term]}",
            needed="a second sequence, the tool mounted anew, turned or held elsewhere",
        )
    b = max(means) - min(means)
    how = f"spread {b:.3g} % of the means of {len(means)} sequences on this tool"
    return Contribution(term, _of_full_width(b), "measured", math.inf, how)


def type_value(term: Term, spread_pct: float, *, tools: int, model: str) -> Contribution:
    """b of the model, found on several tools of it and taken for this one.

    spread_pct  b, full width, % of reading
    tools       how many tools of that model were measured

    Raises NotEnoughEvidence for fewer than FEWEST_TOOLS.
    """
    if tools < FEWEST_TOOLS:
        raise NotEnoughEvidence(
            because=f"a value of the type rests on {tools} tools of one model, fewer than "
            f"{FEWEST_TOOLS}",
            needed=f"{FEWEST_TOOLS - tools} more tools of the model, or a measurement on this one",
        )
    how = f"spread {spread_pct:.3g} % of {tools} tools of the model {model}"
    return Contribution(term, _of_full_width(spread_pct), "assumed", math.inf, how)


def reproducibility_of_family(family: FamilyFit, x: float) -> Contribution:
    """Reproducibility from how much the checks of the wrench's family differ among each other.

    x  target / full scale

    The SD of a check's effect is no spread of a rectangle: it enters as it is. Its doubt over the
    family's possible laws gives its degrees of freedom, (u / sd of u)² / 2 (GUM, G.4.2).
    """
    gain, offset = family.law.check_sd[:, 0], family.law.check_sd[:, 1] / x
    each = np.hypot(gain, offset)
    doubt = float(each.std())
    learnt = (
        "values assumed of its mechanism, for too few wrenches of its kind were checked twice"
        if family.source == "defaults"
        else f"{family.checks} checks of {family.wrenches} wrenches of its kind ({family.name})"
    )
    return Contribution(
        Term.REPRODUCIBILITY,
        math.sqrt(float((each**2).mean())),
        "assumed",
        (float(each.mean()) / doubt) ** 2 / 2.0 if doubt > 0 else math.inf,
        f"SD between checks, from {learnt}; it holds more than the standard's term: hand, fixture, "
        "temperature and day too",
    )


def repeatability_of_readings(deviations_pct: ArrayLike) -> Contribution:
    """s / sqrt n of the readings at the target; missing when there is but one."""
    readings = np.asarray(deviations_pct, dtype=np.float64)
    if readings.size < 2:
        return missing(Term.REPEATABILITY)
    s = float(np.std(readings - readings[0], ddof=1))
    how = f"SD {s:.3g} % of {readings.size} readings"
    u = s / math.sqrt(readings.size)
    return Contribution(Term.REPEATABILITY, u, "measured", readings.size - 1.0, how)


def missing(term: Term) -> Contribution:
    """A contribution that nobody has found out."""
    return Contribution(term, None, "missing", None, "not measured, and no value known of its like")


def _of_full_width(width: float) -> float:
    return width / (2.0 * math.sqrt(3.0))
