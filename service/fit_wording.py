"""The fit of a wrench for a fastener in sentences that a lead technician understands."""

from dataclasses import replace
from datetime import date
from math import isfinite
from typing import TYPE_CHECKING

from analysis.numerals import chance, number, percent
from service.criticality import Criticality
from service.fastener import Fastener
from service.fastener_fit import Choices, JudgedAngle, JudgedFit, UnjudgedAngle
from service.records import Policy
from service.torque import Torque, newton_metres_per
from service.wording import direction_in_words, risk_in_words, torque_in_words

if TYPE_CHECKING:
    from analysis.margin import Margin


def fit_in_words(fit: JudgedFit, fastener: Fastener, limits: Policy, on: date | None) -> str:
    """The pull with the verdict on the whole, the margin, and the angle step.

    limits   the shop's for a fastener of this criticality
    on       the day of the pull; None: the day of the answer
    """
    whole = replace(fit.pull, fitness=fit.fitness, reasons=fit.reasons)
    sentences = [
        risk_in_words(whole, fastener.direction, fastener.torque, on),
        margin_in_words(fit.margin, fastener.torque),
    ]
    risk = fit.pull.risk
    if fit.angle is not None and (
        risk.x < limits.caution_below or risk.high_risk > limits.tolerated_pull_risk
    ):
        sentences.append(seating_in_words(fit, limits))
    # Why an angle cannot be judged is among the reasons already.
    if isinstance(fit.angle, JudgedAngle):
        sentences.append(angle_in_words(fit.angle, fit.angle.forecast.target_deg))
    return " ".join(sentences)


def in_unit_of(nm: float, torque: Torque) -> Torque:
    """A torque in N·m in the unit that another came in."""
    return Torque.of(nm / newton_metres_per(torque.unit), torque.unit)


def margin_in_words(margin: "Margin", torque: Torque) -> str:
    """How far the expected pull stays from the nearer limit."""
    limit = "lower" if margin.low else "upper"
    size = in_unit_of(abs(margin.nm), torque)
    count = number(abs(margin.sds), 2)
    sds = f", {count} standard deviation{'' if count == '1' else 's'}"
    sds = sds if isfinite(margin.sds) else ""
    measure = f"{number(size.value, 2)} {torque_unit(torque)} ({percent(abs(margin.pct))}{sds})"
    if margin.pct < 0:
        return f"The pull is expected {measure} beyond the {limit} limit."
    return f"The pull is expected to keep {measure} from the {limit} limit."


def torque_unit(torque: Torque) -> str:
    """E.g. "N·m"."""
    return torque.unit.replace(".", "·")


def angle_in_words(angle: JudgedAngle | UnjudgedAngle, target_deg: float) -> str:
    """The angle step and what it adds, or why it cannot be judged."""
    step = f"Then {number(target_deg, 4)}°"
    if not isinstance(angle, JudgedAngle):
        return f"{step}: {angle.because}, so the angle must be measured by other means."
    forecast, risks = angle.forecast, angle.step
    more = "less" if forecast.too_small >= forecast.too_large else "more"
    off = f"{step}: {chance(risks.angle_off)} chance that it is off by more than"
    return (
        f"{off} ±{number(forecast.mpd_deg)}°, mostly by turning {more} than shown; torque or angle"
        f" off: {chance(risks.either_if_independent)} if one says nothing about the other,"
        f" {chance(risks.either_at_most)} at most."
    )


def seating_in_words(fit: JudgedFit, limits: Policy) -> str:
    """Where the seating torque lies in the range, and its chances on either side."""
    risk = fit.pull.risk
    place = f"The seating torque is {percent(100 * risk.x)} of full scale"
    if risk.x < limits.caution_below:
        place += ", near the bottom of this wrench"
    words = (
        f"{place}: {chance(risk.low_risk)} chance that it is too low,"
        f" {chance(risk.high_risk)} that it is too high"
    )
    if risk.high_risk > limits.tolerated_pull_risk:
        words += ", and too high cannot be taken back by the angle"
    return f"{words}."


def choice_in_words(found: Choices, fastener: Fastener) -> str:
    """How many wrenches of the shop will do, and the first of them."""
    what = f"{torque_in_words(fastener.torque)} {direction_in_words(fastener.direction)}"
    if fastener.angle_deg is not None:
        what += f", then {number(fastener.angle_deg, 4)}°"
    if fastener.name:
        what = f"{fastener.name}, {what}"
    if fastener.criticality is Criticality.SAFETY_CRITICAL:
        what += ", safety-critical (a tenth of the usual limits)"
    fit, caution = found.fit, found.caution
    if not fit and not caution:
        return f"{what}: no wrench in service is fit."
    return (
        f"{what}: of the wrenches in service {fit or 'none'} {'is' if fit < 2 else 'are'} fit,"
        f" {caution or 'none'} with caution; the first choice is {found.first}."
    )
