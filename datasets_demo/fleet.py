"""The invented wrenches of the workshop: three trades, four mechanisms, one table.

Rental e-bikes need 2 to 50 N·m, service vans 20 to 200 N·m, buses up to the 600 N·m of a wheel
nut. Serials, models and uses are invented.
"""

from dataclasses import KW_ONLY, dataclass
from datetime import date
from functools import partial
from typing import Final

from analysis.vocabulary import Mechanism

# N·m in one of each unit (NIST SP 811, appendix B.8)
NEWTON_METRES: Final = {"N.m": 1.0, "ft.lbf": 1.3558179483314004, "in.lbf": 0.1129848290276167}


@dataclass(frozen=True, slots=True)
class Wrench:
    """One wrench of the demo with its tolerances, its use and how the workshop checks it."""

    serial: str
    lowest: float
    full_scale: float
    resolution: float
    drive: str
    cycles_per_year: int
    _: KW_ONLY
    mechanism: Mechanism
    unit: str = "N.m"
    cw_pct: float = 4.0  # maximum permissible deviation
    ccw_pct: float | None = None  # None: the maker states none that way
    basis: str = "reading"
    card_on: date | None = None  # the day of the maker's certificate, when there is one
    interval_days: int = 365  # between checks, as planned
    last_check_days_ago: int | None = None  # before LAST_DAY; None: never checked here
    repeats: int = 5
    ten_percent_point: bool = False
    counts_cycles: bool = True
    late_once: bool = False  # one interval came out far too long
    out_of_service: str = ""  # the reason, when it is

    @property
    def model(self) -> str:
        """A plain description that names no maker."""
        word = {
            Mechanism.SPRING: "click wrench",
            Mechanism.ELECTRONIC: "digital wrench",
            Mechanism.BEAM: "beam wrench",
            Mechanism.DIAL: "dial wrench",
        }[self.mechanism]
        unit = {"N.m": "N·m", "ft.lbf": "ft·lbf", "in.lbf": "in·lbf"}[self.unit]
        return f"{word} {self.lowest:g}-{self.full_scale:g} {unit}"

    @property
    def indication(self) -> str:
        """ISO 6789-1 type: a click wrench is set, the others show."""
        if self.mechanism is Mechanism.SPRING:
            return "type_ii_setting"
        return "type_i_indicating"

    @property
    def targets(self) -> tuple[float, ...]:
        """Where it is checked: 20 % or the lowest mark, 60 % and 100 %; for some 10 % as well."""
        shares = (0.1, 0.2, 0.6, 1.0) if self.ten_percent_point else (0.2, 0.6, 1.0)
        return tuple(max(self.lowest, round(share * self.full_scale, 6)) for share in shares)


@dataclass(frozen=True, slots=True, kw_only=True)
class Knock:
    """A fall that nobody wrote down: a burr on the seat of the trip lets it go late, for good."""

    serial: str
    on: date
    gain_pct: float
    zero_pct_fs: float


KNOCK: Final = Knock(serial="SP-114", on=date(2025, 2, 11), gain_pct=-2.4, zero_pct_fs=-0.1)

_spring = partial(Wrench, mechanism=Mechanism.SPRING)
_electronic = partial(Wrench, mechanism=Mechanism.ELECTRONIC, cw_pct=2.0, ccw_pct=3.0)
_beam = partial(Wrench, mechanism=Mechanism.BEAM)
_dial = partial(Wrench, mechanism=Mechanism.DIAL)

# fmt: off
FLEET: Final = (
    # serial, lowest, full scale, resolution, drive, cycles a year
    _spring("SP-101", 2, 10, 0.1, "1/4 in", 3200, cw_pct=6.0, card_on=date(2023, 9, 12),
        interval_days=180, last_check_days_ago=66),
    _spring("SP-102", 2, 10, 0.1, "1/4 in", 2600, cw_pct=6.0, card_on=date(2023, 9, 12),
        interval_days=180, last_check_days_ago=121, repeats=3),
    _spring("SP-103", 5, 25, 0.25, "1/4 in", 2900, ccw_pct=6.0, card_on=date(2023, 8, 29),
        interval_days=180, last_check_days_ago=38),
    _spring("SP-104", 5, 25, 0.25, "1/4 in", 2100, ccw_pct=6.0, card_on=date(2024, 2, 6),
        interval_days=270, last_check_days_ago=171),
    _spring("SP-105", 5, 50, 0.5, "3/8 in", 3600, ccw_pct=6.0, card_on=date(2023, 10, 3),
        interval_days=180, last_check_days_ago=101, ten_percent_point=True),
    _spring("SP-106", 10, 50, 0.5, "3/8 in", 1500, ccw_pct=6.0, last_check_days_ago=339,
        counts_cycles=False),
    _spring("SP-107", 30, 150, 1, "1/4 in", 1200, unit="in.lbf", ccw_pct=6.0,
        card_on=date(2023, 7, 18), last_check_days_ago=214),
    _spring("SP-108", 40, 200, 1, "1/4 in", 900, unit="in.lbf", last_check_days_ago=402,
        late_once=True),
    _spring("SP-109", 10, 100, 0.5, "3/8 in", 2200, unit="ft.lbf", ccw_pct=6.0,
        card_on=date(2023, 6, 27), interval_days=270, last_check_days_ago=143,
        ten_percent_point=True),
    _spring("SP-110", 10, 100, 0.5, "3/8 in", 1900, unit="ft.lbf", ccw_pct=6.0,
        card_on=date(2024, 4, 23), interval_days=270, last_check_days_ago=87),
    _spring("SP-111", 20, 100, 0.5, "1/2 in", 4100, ccw_pct=6.0, card_on=date(2023, 9, 26),
        interval_days=180, last_check_days_ago=24),
    _spring("SP-112", 20, 100, 0.5, "1/2 in", 3700, ccw_pct=6.0, card_on=date(2023, 9, 26),
        interval_days=180, last_check_days_ago=129),
    _spring("SP-113", 20, 100, 0.5, "1/2 in", 1400, last_check_days_ago=346, repeats=3),
    _spring("SP-114", 40, 200, 1, "1/2 in", 3000, ccw_pct=6.0, card_on=date(2023, 10, 10),
        interval_days=160, last_check_days_ago=59),
    _spring("SP-115", 40, 200, 1, "1/2 in", 4400, ccw_pct=6.0, card_on=date(2023, 10, 10),
        interval_days=180, last_check_days_ago=157),
    _spring("SP-116", 40, 200, 1, "1/2 in", 2500, ccw_pct=6.0, interval_days=270,
        last_check_days_ago=73, counts_cycles=False, late_once=True),
    _spring("SP-117", 20, 250, 1, "1/2 in", 2000, unit="ft.lbf", ccw_pct=6.0,
        card_on=date(2024, 1, 16), interval_days=270, last_check_days_ago=192),
    _spring("SP-118", 60, 320, 1, "1/2 in", 4700, ccw_pct=6.0, card_on=date(2023, 8, 8),
        interval_days=180, last_check_days_ago=45),
    _spring("SP-119", 100, 600, 2.5, "3/4 in", 6100, ccw_pct=6.0, card_on=date(2023, 7, 4),
        interval_days=180, last_check_days_ago=17),
    _spring("SP-120", 20, 100, 0.5, "1/2 in", 0, ccw_pct=6.0, card_on=date(2026, 9, 15)),
    _electronic("EL-201", 1.5, 30, 0.01, "1/4 in", 3800, card_on=date(2023, 9, 5),
        interval_days=180, last_check_days_ago=94, ten_percent_point=True),
    _electronic("EL-202", 1.5, 30, 0.01, "1/4 in", 2300, card_on=date(2024, 5, 14),
        interval_days=270, last_check_days_ago=31),
    _electronic("EL-203", 10, 100, 0.1, "3/8 in", 4200, card_on=date(2023, 8, 22),
        interval_days=180, last_check_days_ago=136, ten_percent_point=True),
    _electronic("EL-204", 10, 200, 0.1, "1/2 in", 4800, card_on=date(2023, 10, 17),
        interval_days=180, last_check_days_ago=52, ten_percent_point=True),
    _electronic("EL-205", 10, 200, 0.1, "1/2 in", 2700, card_on=date(2024, 3, 5),
        interval_days=270, last_check_days_ago=178),
    _electronic("EL-206", 17, 340, 0.1, "1/2 in", 3500, card_on=date(2023, 6, 13),
        interval_days=270, last_check_days_ago=352),
    _electronic("EL-207", 12.5, 250, 0.1, "1/2 in", 1700, unit="ft.lbf", card_on=date(2023, 5, 23),
        last_check_days_ago=233),
    _electronic("EL-208", 30, 600, 0.5, "3/4 in", 5200, card_on=date(2023, 9, 19),
        interval_days=180, last_check_days_ago=80),
    _electronic("EL-209", 2.5, 50, 0.01, "3/8 in", 0, card_on=date(2026, 10, 6)),
    _beam("BM-301", 2, 20, 0.5, "1/4 in", 600, ccw_pct=6.0, last_check_days_ago=268,
        counts_cycles=False),
    _beam("BM-302", 10, 60, 1, "3/8 in", 500, ccw_pct=6.0, card_on=date(2023, 3, 14),
        last_check_days_ago=151, counts_cycles=False),
    _beam("BM-303", 20, 140, 2, "1/2 in", 700, unit="ft.lbf", ccw_pct=6.0, last_check_days_ago=447,
        late_once=True),
    _beam("BM-304", 20, 200, 5, "1/2 in", 400, cw_pct=3.0, basis="full_scale",
        card_on=date(2023, 4, 4), last_check_days_ago=296, counts_cycles=False),
    _beam("BM-305", 50, 300, 5, "1/2 in", 800, ccw_pct=6.0, last_check_days_ago=114),
    _dial("DL-401", 2, 12, 0.1, "1/4 in", 1600, cw_pct=6.0, ccw_pct=6.0, card_on=date(2023, 7, 11),
        last_check_days_ago=358),
    _dial("DL-402", 15, 75, 1, "1/4 in", 1100, unit="in.lbf", ccw_pct=4.0,
        card_on=date(2023, 8, 1), last_check_days_ago=199, repeats=3),
    _dial("DL-403", 14, 70, 0.5, "3/8 in", 1900, ccw_pct=4.0, card_on=date(2023, 9, 5),
        interval_days=270, last_check_days_ago=108),
    _dial("DL-404", 40, 200, 2, "1/2 in", 1500, ccw_pct=4.0, card_on=date(2024, 2, 20),
        interval_days=270, last_check_days_ago=389),
    _dial("DL-405", 70, 350, 2, "1/2 in", 2100, ccw_pct=4.0, interval_days=270,
        last_check_days_ago=262,
        out_of_service="square drive cracked, waits for the repairer"),
    _dial("DL-406", 120, 600, 5, "3/4 in", 0, ccw_pct=4.0, counts_cycles=False),
)
# fmt: on
