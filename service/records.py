"""What the shop keeps: wrenches, testers, checks with their readings, pulls, and the policy.

Plain frozen records between the API and the store. Neither check nor pull is ever edited: a wrong
one is voided with a reason, and another may take its place.
"""

from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import NamedTuple

from analysis.vocabulary import CheckKind, DecisionRule, Direction, Edition, Mechanism
from service.torque import Torque


class Indication(StrEnum):
    """ISO 6789-1 type: I indicates the torque (scale, dial, display), II is set to it and trips.

    One without a graduation (classes C and F of type II, from memory) is set at a tester.
    """

    INDICATING = "type_i_indicating"
    SETTING = "type_ii_setting"
    SETTING_NOT_GRADUATED = "type_ii_setting_not_graduated"


class ToleranceBasis(StrEnum):
    """What a maximum permissible deviation is a percentage of."""

    READING = "reading"
    FULL_SCALE = "full_scale"


class ServiceStatus(StrEnum):
    IN_SERVICE = "in_service"
    OUT_OF_SERVICE = "out_of_service"


@dataclass(frozen=True, slots=True, kw_only=True)
class MaximumPermissibleDeviation:
    """± percent, of the reading or of full scale."""

    percent: float
    basis: ToleranceBasis = ToleranceBasis.READING


@dataclass(frozen=True, slots=True, kw_only=True)
class AnglePerformance:
    """What a wrench that shows angles states about them; one limit at least (`AngleLimit`)."""

    mpd_deg: float | None = None  # ± degrees
    mpd_pct: float | None = None  # ± % of the target
    resolution_deg: float | None = None
    highest_deg: float | None = None  # the largest angle it counts in one step


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceDecision:
    """What a person decided about a wrench, why, and since when."""

    status: ServiceStatus = ServiceStatus.IN_SERVICE
    reason: str | None = None
    since: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Quarantine:
    """A wrench out of service by its own checks, in one direction, until one as left passes.

    check   id of the check that failed, the first since the last one as left that passed
    since   when that check was performed
    """

    direction: Direction
    check: str
    since: datetime

    @property
    def finding(self) -> str:
        words = self.direction.value.replace("_", "-")
        return f"the check of {self.since.date()} found it out of tolerance {words}"

    @property
    def reason(self) -> str:
        return f"{self.finding}, and it has not passed a check as left since"

    @property
    def remedy(self) -> str:
        words = self.direction.value.replace("_", "-")
        return (
            f"adjust it and record a check as left {words} that passes, "
            f"or void check {self.check} if it was wrong"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrench:
    """A wrench is in service when a person has it so, and no check of its own forbids it."""

    serial: str
    mechanism: Mechanism
    indication: Indication
    model: str | None
    lowest: Torque  # lowest marked value
    full_scale: Torque
    mpd_clockwise: MaximumPermissibleDeviation | None  # None: no stated tolerance that way
    mpd_counter_clockwise: MaximumPermissibleDeviation | None
    resolution: Torque | None
    drive: str | None  # e.g. "1/2 in"
    angle: AnglePerformance | None = None  # None: it measures no angle
    decision: ServiceDecision = ServiceDecision()
    quarantine: tuple[Quarantine, ...] = ()  # at most one a direction; the store keeps it in step
    registered_at: datetime
    version: int = 1  # rises with every change; the ETag of the wrench

    @property
    def status(self) -> ServiceStatus:
        return ServiceStatus.OUT_OF_SERVICE if self.quarantine else self.decision.status

    @property
    def status_reason(self) -> str | None:
        """Why it is as it is: everything that keeps it out of service, a person's reason first."""
        if not self.quarantine:
            return self.decision.reason
        reasons = [each.reason for each in self.quarantine]
        if self.decision.status is ServiceStatus.OUT_OF_SERVICE and self.decision.reason:
            reasons.insert(0, self.decision.reason)
        return "; ".join(reasons)

    def quarantined_alone(self, direction: Direction) -> bool:
        """Whether nothing but its checks in this direction keeps it out of service."""
        return self.decision.status is ServiceStatus.IN_SERVICE and [
            each.direction for each in self.quarantine
        ] == [direction]

    @property
    def status_since(self) -> datetime | None:
        since = [each.since for each in self.quarantine]
        if not self.quarantine or self.decision.status is ServiceStatus.OUT_OF_SERVICE:
            since += [self.decision.since] if self.decision.since else []
        return min(since, default=None)

    def mpd(self, direction: Direction) -> MaximumPermissibleDeviation | None:
        if direction is Direction.CLOCKWISE:
            return self.mpd_clockwise
        return self.mpd_counter_clockwise


@dataclass(frozen=True, slots=True, kw_only=True)
class Tester:
    """The reference device, with what its certificate says."""

    serial: str
    model: str | None
    lowest: Torque
    full_scale: Torque
    expanded_uncertainty_pct: float  # U, % of reading
    coverage_factor: float  # k
    certificate: str
    calibrated_on: date
    due_on: date
    registered_at: datetime
    version: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    reference: Torque  # what the tester measured
    indicated: Torque  # what the wrench was set to or showed; the target unless said otherwise


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    target: Torque
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """Provenance of a check that the shop did not make: the certificate that came with it.

    What follows the date is what the certificate states; None where it is silent. `mpd` is the
    maximum permissible deviation in the direction of the check.
    """

    issuer: str
    certificate: str
    issued_on: date
    expanded_uncertainty_pct: float | None = None
    coverage_factor: float | None = None
    serial: str | None = None
    model: str | None = None
    edition: Edition | None = None
    mpd: MaximumPermissibleDeviation | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPaper:
    """Who measured a check, and how well that is known.

    card              None: a tester of the shop
    uncertainty_pct   U, % of reading, of the card or of the tester as its certificate now stands
    """

    card: Card | None
    uncertainty_pct: float | None
    coverage_factor: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Void:
    at: datetime
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    id: str
    wrench: str  # serial
    kind: CheckKind
    direction: Direction
    performed_at: datetime  # UTC
    tester: str | None  # serial; None only for a card
    operator: str | None
    temperature_c: float | None
    cycle_count: int | None
    points: tuple[Point, ...]
    card: Card | None = None
    replaces: str | None = None  # the voided check that this one takes the place of
    void: Void | None = None
    recorded_at: datetime


class PastReading(NamedTuple):
    """One reading of a check, as far as a later one is judged by it.

    check   id
    kind    value of CheckKind
    day     UTC days since 1970-01-01
    """

    check: str
    kind: str
    day: float
    target_nm: float
    indicated_nm: float
    reference_nm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pull:
    """Work done with a wrench: one pull, or several alike of one job, such as five wheel nuts."""

    id: str
    wrench: str  # serial
    job: str  # the shop's own reference, e.g. the number of a work order
    torque: Torque  # that the wrench was set to, or showed
    direction: Direction
    angle_deg: float | None  # turned after the torque, where the procedure asks for it
    performed_at: datetime  # UTC
    operator: str | None
    count: int  # pulls alike
    client_id: str | None  # the caller's own id for it
    out_of_service: bool  # whether the wrench was at the time, by its trail when recorded
    void: Void | None = None
    recorded_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """The shop's rules. Defaults: 12 months, 5,000 cycles (ISO 6789-1), else common practice."""

    reliability_target: float = 0.95  # pass probability below which a wrench is due
    tolerated_pull_risk: float = 0.02  # chance that one pull is outside the MPD: fit below it
    refused_pull_risk: float = 0.10  # not fit above it; between the two: fit with caution
    cap_months: int = 12
    cap_cycles: int = 5000
    floor_days: int = 14  # never due sooner than this after a passed check
    card_valid_months: int = 12  # a card speaks for a wrench no longer; the shop's choice
    decision_rule: DecisionRule = DecisionRule.SIMPLE
    low_band_below: float = 0.30  # share of full scale
    upper_band_above: float = 0.70
    caution_below: float = 0.20  # the trade's mark for spring wrenches
    plan_targets: tuple[float, ...] = (0.20, 0.60, 1.00)  # shares of full scale
    plan_repeats: int = 5
    bench_checks_per_day: int = 6
    closed_weekdays: tuple[int, ...] = (5, 6)  # Monday is 0
    closed_dates: tuple[date, ...] = ()  # holidays, stock-taking
    time_zone: str = "UTC"
    version: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportReport:
    """What became of each row of an import."""

    stored: tuple[str, ...]  # ids of what is now stored
    already_there: tuple[str, ...] = ()  # ids of what was there before, counted once
    refused: tuple["RefusedRow", ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedRow:
    row: int  # 1 is the first row of data
    field: str
    detail: str
    remedy: str


class EventKind(StrEnum):
    """What happened to a wrench.

    registered, changed                its record
    taken_out, released                by a person, with the reason
    quarantined, quarantine_lifted     by its own checks
    check_recorded, check_voided
    angle_check_recorded, angle_check_voided
    """

    REGISTERED = "registered"
    CHANGED = "changed"
    TAKEN_OUT = "taken_out"
    RELEASED = "released"
    QUARANTINED = "quarantined"
    QUARANTINE_LIFTED = "quarantine_lifted"
    CHECK_RECORDED = "check_recorded"
    CHECK_VOIDED = "check_voided"
    ANGLE_CHECK_RECORDED = "angle_check_recorded"
    ANGLE_CHECK_VOIDED = "angle_check_voided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One field of a wrench, as text; None: empty."""

    field: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One line of the trail of a wrench; never edited, never deleted.

    number        counts up over the shop; given by the store, 0 before
    recorded_at   by the clock of the service
    person        who says to have done it, as named by the request or the check; not verified
    why           in words
    check         id of the check that it is about, or that brought it about
    token_id      the token by which it came, and its name; None: a command on the machine
    address       from where, as far as the service can tell
    """

    wrench: str
    kind: EventKind
    recorded_at: datetime
    person: str | None = None
    why: str | None = None
    check: str | None = None
    direction: Direction | None = None
    changes: tuple[Change, ...] = ()
    number: int = 0
    token_id: str | None = None
    token_name: str | None = None
    address: str | None = None
