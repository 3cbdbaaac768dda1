"""What speaks against a wrench for an angle step, beside what speaks against its seating torque."""

from analysis.angle import AngleBasis, AngleForecast, AngleLaw
from analysis.angle_step import StepRisk
from analysis.fitness import Ground, Limits, Reason
from analysis.numerals import chance, number


def angle_reasons(
    law: AngleLaw,
    forecast: AngleForecast,
    step: StepRisk,
    limits: Limits,
    *,
    found_out: bool,
) -> tuple[Reason, ...]:
    """Every ground against the step, the gravest first.

    limits     the shop's for pulls: a step off in angle is taken to weigh as much as one in torque
    found_out  the last angle check that counts failed, and none as left has passed since

    Torque or angle being off is judged by its upper bound: what joins the two is not known. It is a
    ground of its own only where neither alone is one.
    """
    reasons = []
    off = (
        f"the chance that the angle is off by more than ±{number(forecast.mpd_deg)}° is"
        f" {chance(forecast.risk)}"
    )
    either = f"torque or angle is off with a chance of up to {chance(step.either_at_most)}"
    refuses = f"the shop refuses above {chance(limits.refused_pull_risk)}"
    tolerates = f"the shop tolerates {chance(limits.tolerated_pull_risk)}"
    alone = max(step.torque_off, step.angle_off)
    if found_out:
        words = "an angle check found it out and it has not passed one as left since"
        reasons.append(Reason(Ground.ANGLE_FOUND_OUT, words))
    if forecast.risk > limits.refused_pull_risk:
        reasons.append(Reason(Ground.ANGLE_RISK_REFUSED, f"{off}; {refuses}"))
    elif step.either_at_most > limits.refused_pull_risk >= alone:
        reasons.append(Reason(Ground.STEP_RISK_REFUSED, f"{either}; {refuses}"))
    elif forecast.risk > limits.tolerated_pull_risk:
        reasons.append(Reason(Ground.ANGLE_RISK, f"{off}; {tolerates}"))
    elif step.either_at_most > limits.tolerated_pull_risk >= alone:
        reasons.append(Reason(Ground.STEP_RISK, f"{either}; {tolerates}"))
    if forecast.beyond_checked:
        checked = f"{number(law.lowest_deg, 4)}°"
        if law.highest_deg > law.lowest_deg:
            checked = f"{checked} to {number(law.highest_deg, 4)}°"
        words = f"its angle checks were at {checked}, not at {number(forecast.target_deg, 4)}°"
        reasons.append(Reason(Ground.ANGLE_NOT_CHECKED_THERE, words))
    if law.basis is AngleBasis.DEFAULTS:
        words = "too few angle checks tell how its angle scatters: assumed values stand in"
        reasons.append(Reason(Ground.ANGLE_DEFAULTS, words))
    return tuple(reasons)
