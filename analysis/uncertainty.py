"""The uncertainty budget of a calibration of one wrench at a target, as ISO 6789-2:2017 sets it up.

Everything is in % of reading. The contributions are

    reference device   U / k of the tester's certificate; what it may have drifted since
    resolution         r / (2 sqrt 3), twice for a tool whose zero is read on the same scale
    b_rep              reproducibility: the tool put on anew between sequences of readings
    b_od, b_int, b_l   output drive turned, interface turned, force applied 10 mm either side
    b_re               repeatability: s / sqrt n of the readings at the target

where a b is the spread of the means of its sequences. Then

    w = sqrt(sum w_i²),     W = k w with k = 2,     W' = |mean deviation| + W + |b_e|

with b_e the error of the tester that its readings are not corrected for. A contribution that nobody
has found out is missing, not zero: the budget names it and calls itself incomplete, and its W and
W' are then lower bounds. The contributions come from `uncertainty_terms`.

Sources: ISO 6789-2:2017, clauses 5 and 6 (from memory); JCGM 100:2008 (GUM), G.4.1 (effective
degrees of freedom).
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from analysis.family import FamilyFit
from analysis.uncertainty_terms import (
    IN_WORDS,
    Contribution,
    Term,
    missing,
    repeatability_of_readings,
    reproducibility_of_family,
    resolution,
)

COVERAGE_FACTOR: Final = 2.0  # k of ISO 6789-2
# What k = 2 covers of a normal distribution: 2 Φ(2) - 1.
_COVERAGE: Final = math.erf(math.sqrt(2.0))


@dataclass(frozen=True, slots=True)
class Budget:
    """The budget at one target; W and W' are lower bounds while it is `incomplete_of` anything.

    mean_deviation_pct   a_s, of `readings` readings
    reference_error_pct  b_e; None: not stated
    contributions        one for each term that applies, the missing ones among them
    left_out             terms that do not apply to this tool, and why
    combined_pct         w
    degrees_of_freedom   effective ones of w
    coverage_factor      k = 2
    expanded_pct         W = k w
    interval_pct         W'
    student_factor       the k that would cover as much with these degrees of freedom: well above 2
                         it says that W promises more than so few readings can keep
    incomplete_of        what is not known, in words; empty when the budget is complete
    """

    mean_deviation_pct: float
    readings: int
    reference_error_pct: float | None
    contributions: tuple[Contribution, ...]
    left_out: Mapping[Term, str]
    combined_pct: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_pct: float
    interval_pct: float
    student_factor: float
    incomplete_of: tuple[str, ...]

    @property
    def complete(self) -> bool:
        return not self.incomplete_of


def budget(
    deviations_pct: ArrayLike,
    contributions: Iterable[Contribution],
    *,
    left_out: Mapping[Term, str] | None = None,
    reference_error_pct: float | None = None,
) -> Budget:
    """The budget at one target in one direction.

    deviations_pct       (n,) deviations of the readings of one check there, % of reading
    contributions        all but the repeatability, which the readings tell; what is neither given
                         nor left out is missing
    left_out             terms that do not apply, with the reason: the loading point of a tool on
                         which length has no effect, the resolution of one without a scale
    reference_error_pct  b_e, % of reading, any sign; None: not stated

    Raises ValueError for a term given twice, or given and left out, and without a reading.
    """
    readings = np.asarray(deviations_pct, dtype=np.float64)
    if not readings.size:
        raise ValueError("a budget needs at least one reading")
    excused = dict(left_out or {})
    known = {Term.REPEATABILITY: repeatability_of_readings(readings)}
    for contribution in contributions:
        if contribution.name in known or contribution.name in excused:
            raise ValueError(f"{contribution.name.value} comes twice in this budget")
        known[contribution.name] = contribution
    listed = tuple(known.get(term) or missing(term) for term in Term if term not in excused)
    found = [
        (each.standard_uncertainty_pct, each.degrees_of_freedom)
        for each in listed
        if each.standard_uncertainty_pct is not None and each.degrees_of_freedom is not None
    ]
    u = [each[0] for each in found]
    combined = math.hypot(*u)
    df = effective_degrees_of_freedom(u, [each[1] for each in found])
    mean, expanded = float(readings.mean()), COVERAGE_FACTOR * combined
    lacking = [IN_WORDS[each.name] for each in listed if each.origin == "missing"]
    if reference_error_pct is None:
        lacking.append("the error of the tester that is not corrected")
    return Budget(
        mean_deviation_pct=mean,
        readings=readings.size,
        reference_error_pct=reference_error_pct,
        contributions=listed,
        left_out=excused,
        combined_pct=combined,
        degrees_of_freedom=df,
        coverage_factor=COVERAGE_FACTOR,
        expanded_pct=expanded,
        interval_pct=abs(mean) + expanded + abs(reference_error_pct or 0.0),
        student_factor=student_factor(df, _COVERAGE),
        incomplete_of=tuple(lacking),
    )


def budgets_of_check(
    rows: pl.DataFrame,
    contributions: Sequence[Contribution],
    *,
    zero_is_read: bool,
    family: FamilyFit | None = None,
    left_out: Mapping[Term, str] | None = None,
    reference_error_pct: float | None = None,
) -> dict[float, Budget]:
    """The budget at each target of one check, by target torque in N·m, lowest first.

    rows           frame of `analysis.deviation.with_deviations`: one check, one direction
    contributions  the same for every target, without resolution and repeatability, which are
                   worked out here: of the geometric terms the standard asks at the lowest only
    zero_is_read   the tool indicates, and its zero is read on the same scale
    family         where the reproducibility was not measured: estimate it from the family's checks

    Raises ValueError when the rows are of several checks, and as `budget`.
    """
    if rows.select("check", "direction").n_unique() > 1:
        raise ValueError("the rows are of more than one check")
    given = {each.name for each in contributions} | set(left_out or {})
    answer: dict[float, Budget] = {}
    for (target,), of_target in sorted(rows.group_by("target_nm"), key=lambda group: group[0]):
        nm, own = float(target), list(contributions)
        step = of_target["resolution_nm"][0]
        if step is not None and Term.RESOLUTION not in given:
            own.append(resolution(step, nm, zero_is_read=zero_is_read))
        if family is not None and Term.REPRODUCIBILITY not in given:
            own.append(reproducibility_of_family(family, float(of_target["x"][0])))
        answer[nm] = budget(
            of_target["deviation_pct"].to_numpy(),
            own,
            left_out=left_out,
            reference_error_pct=reference_error_pct,
        )
    return answer


def effective_degrees_of_freedom(u: ArrayLike, df: ArrayLike) -> float:
    """Of w = sqrt(sum u²) by Welch-Satterthwaite: w⁴ / sum(u⁴ / df).

    u   (n,) standard uncertainties, independent, in one unit
    df  (n,) their degrees of freedom, > 0, may be infinite

    Source: JCGM 100:2008, G.4.1, formula G.2b.
    """
    squares = np.asarray(u, dtype=np.float64) ** 2
    total = float((squares**2 / np.asarray(df, dtype=np.float64)).sum())
    return float(squares.sum()) ** 2 / total if total > 0 else math.inf


def student_factor(df: float, coverage: float) -> float:
    """Coverage factor for df degrees of freedom, cut to whole ones as the GUM does (G.4.1).

    coverage  in (0, 1); at least one degree of freedom is taken
    """
    from scipy.special import ndtri, stdtrit

    upper = (1.0 + coverage) / 2.0
    if math.isinf(df):
        return float(ndtri(upper))
    return float(stdtrit(max(1, math.floor(df)), upper))
