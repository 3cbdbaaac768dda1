"""How often the range study's rule is right and wrong, over fleets with known truth.

    python tests/simulation/range_rates.py [fleets]

prints the table of DEVELOPERS.md. `null` fleets have every 1/x term zero: alpha, offset level,
offset drift, and the offset of check and wander. `friction` fleets have nothing but alpha, 0.3 % of
full scale. `edge` fleets have just so much alpha that the true ratio is 1.25. `offset` fleets have
no alpha but an offset level and drift.
"""

import sys
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.bands import Bands
from analysis.error_law import ErrorLaw
from analysis.errors import NotEnoughEvidence
from analysis.range_cells import RangeCells, cells_of
from analysis.range_claim import MATTERS, Verdict, judge
from analysis.range_error import band_ratio
from analysis.range_scatter import range_scatter
from analysis.simulate import Recipe, SimulatedFleet, simulate_fleet
from analysis.vocabulary import Band

X: Final = (0.2, 0.6, 1.0)


def law(*, alpha: float = 0.0, offset_level: float = 0.0, offset_rate: float = 0.0) -> ErrorLaw:
    """One law: gain terms as assumed of spring wrenches, offset terms as given."""

    def pair(gain: float, offset: float) -> Array:
        return np.array([[gain, offset]])

    return ErrorLaw(
        level_mean=pair(0.0, 0.0),
        rate_mean=pair(0.0, 0.0),
        adjusted_mean=pair(0.0, 0.0),
        level_sd=pair(0.9, offset_level),
        rate_sd=pair(0.6, offset_rate),
        adjusted_sd=pair(0.5, offset_level),
        check_sd=pair(0.35, 0.0),
        wander_sd=pair(0.35, 0.0),
        rho_pct=np.array([0.45]),
        alpha_pct=np.array([alpha]),
        knocks_per_year=np.zeros(1),
        knock_ratio=np.ones(1),
        stray_share=np.zeros(1),
    )


@dataclass(frozen=True)
class Scenario:
    """A kind of fleet.

    noise_spread  each wrench has from 1 - this to 1 + this times the family's scatter
    true_ratio    of typical errors, where it is known
    """

    name: str
    recipe: Recipe
    noise_spread: float = 0.0
    true_ratio: float | None = None


@dataclass(frozen=True)
class Rates:
    """Shares of fleets, and of those that were judged at all.

    alpha_found  the test of alpha = 0 gave p below 0.05
    covered      the 95 % interval held the true ratio; nan where that is not known
    """

    fleets: int
    confirmed: float
    not_confirmed: float
    too_little: float
    scatter_confirmed: float
    alpha_found: float
    covered: float
    mean_ratio: float


def cells(fleet: SimulatedFleet, spread: float, random: np.random.Generator) -> RangeCells:
    """As-found cells, the scatter of each wrench widened or narrowed."""
    every = cells_of(fleet.histories, checks=~fleet.histories.adjusted)
    factor = random.uniform(1 - spread, 1 + spread, len(every.wrenches))[every.wrench]
    return replace(every, residual_pct=every.residual_pct * factor[:, None])


def rates(scenario: Scenario, fleets: int, seed: int) -> Rates:
    """Judge many fleets of one scenario."""
    random = np.random.Generator(np.random.PCG64(seed))
    bands = Bands()
    verdicts, scatter_verdicts, p_values, ratios, covered = [], [], [], [], []
    for _ in range(fleets):
        seen = cells(simulate_fleet(scenario.recipe, random), scenario.noise_spread, random)
        band = np.array([bands.of(x).value for x in seen.x])
        try:
            found = band_ratio(seen, band, Band.LOW.value, Band.UPPER.value)
            verdicts.append(judge(found.ratio))
            ratios.append(np.log(found.ratio.value))
            if scenario.true_ratio is not None:
                covered.append(found.ratio.lower <= scenario.true_ratio <= found.ratio.upper)
            scatter = range_scatter(seen)
            scatter_verdicts.append(judge(scatter.curve.ratio(X[0], X[-1])))
            p_values.append(scatter.no_constant_part.p_value)
        except NotEnoughEvidence:
            verdicts.append(Verdict.TOO_LITTLE_DATA)

    def share(of: list[Verdict], verdict: Verdict) -> float:
        return sum(v is verdict for v in of) / len(of) if of else float("nan")

    return Rates(
        fleets=fleets,
        confirmed=share(verdicts, Verdict.CONFIRMED),
        not_confirmed=share(verdicts, Verdict.NOT_CONFIRMED),
        too_little=share(verdicts, Verdict.TOO_LITTLE_DATA),
        scatter_confirmed=share(scatter_verdicts, Verdict.CONFIRMED),
        alpha_found=float(np.mean(np.array(p_values) < 0.05)) if p_values else float("nan"),
        covered=float(np.mean(covered)) if covered else float("nan"),
        mean_ratio=float(np.exp(np.mean(ratios))) if ratios else float("nan"),
    )


YEARS: Final = np.arange(4) * 0.5  # of the visits of a fleet of known ratio


def true_ratio(one: ErrorLaw) -> float:
    """Of typical errors over visits at YEARS, no wrench ever adjusted."""

    def square(x: float) -> float:
        z = np.array([1.0, 1.0 / x]) ** 2
        moved = one.rate_sd[0] ** 2 * np.mean(YEARS**2) + one.wander_sd[0] ** 2 * np.mean(YEARS)
        lasting = one.level_sd[0] ** 2 + one.check_sd[0] ** 2 + moved
        return float(lasting @ z + one.scatter_variance(np.asarray(x))[0])

    return float(np.sqrt(square(X[0]) / square(X[-1])))


def edge_alpha() -> float:
    """The alpha at which the true ratio of typical errors is MATTERS, every other 1/x term zero."""
    from scipy.optimize import brentq

    return float(brentq(lambda alpha: true_ratio(law(alpha=alpha)) - MATTERS, 0.0, 1.0))


def scenarios() -> list[Scenario]:
    """Every scenario of the table."""
    made = []
    kinds = {
        "null": law(),
        "edge (true ratio 1.25)": law(alpha=edge_alpha()),
        "friction (alpha 0.3 %)": law(alpha=0.3),
        "offset (no alpha)": law(offset_level=0.2, offset_rate=0.1),
    }
    never = 1e9  # of the MPD: no adjustment, so that the true ratio is known
    for name, one in kinds.items():
        for wrenches in (6, 12, 40):
            recipe = Recipe(
                law=one, wrenches=wrenches, visits=(4,), mpd_pct=4.0, x=X, adjust_beyond=never
            )
            made.append(Scenario(name, recipe, true_ratio=true_ratio(one)))
    adjusted = Recipe(law=kinds["null"], wrenches=20, visits=(2, 3, 5, 8), mpd_pct=4.0, x=X)
    friction = replace(adjusted, law=kinds["friction (alpha 0.3 %)"], wrenches=40)
    return [
        *made,
        Scenario("null, adjusted, visits 2 to 8", adjusted, true_ratio=1.0),
        Scenario("null, heavy tails (t, 4 df)", replace(adjusted, tail_df=4.0), true_ratio=1.0),
        Scenario("null, wrenches scatter unlike", adjusted, noise_spread=0.5, true_ratio=1.0),
        Scenario(
            "null, a third of targets missing, uneven dates",
            replace(adjusted, missing_target=0.33, uneven=1.0),
            true_ratio=1.0,
        ),
        Scenario(
            "null, knocks of the gain",
            replace(adjusted, knocks_per_year=0.1, knock_sd=(2.5, 0.0)),
            true_ratio=1.0,
        ),
        Scenario("friction, adjusted, visits 2 to 8", friction),
        Scenario(
            "friction, heavy tails, scatter unlike",
            replace(friction, tail_df=4.0),
            noise_spread=0.5,
        ),
    ]


def main(fleets: int = 2000) -> None:
    sys.stdout.write(
        "| fleets | wrenches | confirmed | not confirmed | too little data | scatter confirmed "
        "| alpha = 0 refused | 95 % covers | mean ratio |\n|---|---|---|---|---|---|---|---|---|\n"
    )
    for number, scenario in enumerate(scenarios()):
        found = rates(scenario, fleets, seed=number)
        sys.stdout.write(
            f"| {scenario.name} | {scenario.recipe.wrenches} | {found.confirmed:.3f} "
            f"| {found.not_confirmed:.3f} | {found.too_little:.3f} | {found.scatter_confirmed:.3f} "
            f"| {found.alpha_found:.3f} | {found.covered:.3f} | {found.mean_ratio:.2f} |\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
