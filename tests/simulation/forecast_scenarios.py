"""The fleets on which the forecasts are tried: known truth, and departures from the error law.

Every family has a law of its own, drawn about the mechanism's assumption but not from it: narrower
in the log scale, shifted by the scenario, without knocks or stray checks unless the scenario has
them. Nothing here is a fact about real wrenches.
"""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from analysis.error_law import ErrorLaw, assumption, law_from_coordinates
from analysis.simulate import Recipe
from analysis.vocabulary import Mechanism

MIXED_HISTORIES = (1, 2, 3, 5, 8)
_NEVER = -50.0  # logarithm, in units of the prior, of an event that does not happen


@dataclass(frozen=True)
class Scenario:
    """A kind of fleet.

    wrenches, families  how many a family, and how many families
    drift               multiplies the family's spread of rates
    departure           what of `analysis.simulate.Recipe` differs from the regular life
    misspecified        the truth is not a case of the error law as forecast
    """

    name: str
    mechanism: Mechanism
    mpd_pct: float
    wrenches: int = 100
    families: int = 20
    visits: tuple[int, ...] = MIXED_HISTORIES
    drift: float = 1.0
    departure: dict[str, Any] = field(default_factory=dict)
    misspecified: bool = False

    def recipe(self, random: np.random.Generator) -> Recipe:
        """A family of the scenario."""
        return Recipe(
            law=_law(self.mechanism, self.drift, random),
            wrenches=self.wrenches,
            visits=self.visits,
            mpd_pct=self.mpd_pct,
            **self.departure,
        )


def _law(mechanism: Mechanism, drift: float, random: np.random.Generator) -> ErrorLaw:
    assumed = assumption(mechanism)
    z = 0.5 * random.standard_normal(len(assumed.centre))
    z[4:6] *= 0.3  # adjusted wrenches start near zero
    z[18] = z[20] = _NEVER
    law = law_from_coordinates((assumed.centre + assumed.spread * z)[None])
    return replace(law, rate_sd=law.rate_sd * drift)


SPRING, ELECTRONIC = Mechanism.SPRING, Mechanism.ELECTRONIC

SCENARIOS = (
    Scenario("spring", SPRING, 4.0),
    Scenario("electronic", ELECTRONIC, 2.0),
    Scenario("beam", Mechanism.BEAM, 6.0),
    Scenario("spring, fast drift", SPRING, 4.0, drift=2.0),
    Scenario("spring, slow drift", SPRING, 4.0, drift=0.4),
    Scenario("spring, young fleets of 12", SPRING, 4.0, 12, 167, visits=(1, 2, 3)),
    Scenario("heavy tails (t, 4 df)", SPRING, 4.0, departure={"tail_df": 4.0}, misspecified=True),
    Scenario(
        "unlogged knocks (6 a century)",
        SPRING,
        4.0,
        departure={"knocks_per_year": 0.06},
        misspecified=True,
    ),
    Scenario(
        "uneven dates, a quarter of targets missing",
        SPRING,
        4.0,
        departure={"uneven": 0.9, "missing_target": 0.25},
    ),
    Scenario(
        "drift with use, pace varies", SPRING, 4.0, departure={"pace_sd": 0.4}, misspecified=True
    ),
)
