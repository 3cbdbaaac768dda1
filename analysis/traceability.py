"""A wrench found out: when it probably left its limits, and which of its pulls are suspect.

Between the last check that found it inside and the one that found it outside, the wrench took one
of many possible ways (`analysis.level_paths`), each with its own share of what both checks said.

A pull was outside with the mean over these ways of the chance that its deviation,

    level of that way at that time and torque + effect of hand and fixture + scatter,

was beyond the MPD there: what `analysis.risk` calls pull risk, asked of the past. Each pull has a
hand of its own, taken as large as the effect of a check, as there. So a job of several pulls has
the chance, over the ways, that at least one was outside: pulls of one way share its level, which is
why they are not independent.

The crossing is that of the level alone, the wrench's own deviation without hand and scatter. The
way between two days of the grid may leave a limit and come back unseen; it is a Brownian bridge,
which does so with probability exp(-2 a b / v), for distances a and b from the limit at its ends and
the variance v of the wander between. Source: P. Glasserman, Monte Carlo Methods in Financial
Engineering (2004), section 6.4 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from analysis.arrays import Array
from analysis.deviation import within
from analysis.error_law import DAYS_PER_YEAR, STRAY_FACTOR
from analysis.errors import NotEnoughEvidence
from analysis.family import FamilyFit
from analysis.history import Histories
from analysis.level_paths import LevelPaths, draw_level_paths
from analysis.tails import Tails
from analysis.vocabulary import CheckKind, Direction
from analysis.wrench_range import WrenchRange

QUANTILES: Final = (0.05, 0.25, 0.5, 0.75, 0.95)
_SEED: Final = 20240229  # the same question has the same answer
_CURVE_POINTS: Final = 60
_CHUNK: Final = 512  # pulls worked on at once


@dataclass(frozen=True, slots=True)
class Stretch:
    """From the last check that found a wrench inside to the one that found it outside.

    first, last       indices of the two checks in its history
    last_good         identity of the first; None: none found it inside, so the stretch begins with
                      the first check that there is
    found_out         identity of the second; None: no check has found it outside since
    begin_day, end_day
    """

    first: int
    last: int
    last_good: str | None
    found_out: str | None
    begin_day: float
    end_day: float


@dataclass(frozen=True, slots=True)
class TracedPull:
    """One record of work: its chance of having been outside; None: nothing to judge it by.

    low, high   its parts: the wrench delivered less than it said by more than the MPD, and more
    expected    how many of its pulls were outside, on average
    """

    pull: str
    probability: float | None
    low: float | None
    high: float | None
    mpd_pct: float | None
    expected: float


@dataclass(frozen=True, slots=True)
class TracedJob:
    """A job's pulls together.

    probability  that at least one that can be judged was outside; None: none can be
    expected     how many were outside, on average
    not_judged   pulls that nothing can be said of
    """

    job: str
    pulls: int
    probability: float | None
    expected: float
    not_judged: int


@dataclass(frozen=True, slots=True)
class Crossing:
    """When the level left its limits at one place of the range, or at any of several.

    x                 torque / full scale; None: at any of the places
    mpd_pct           the limit there; None: anywhere
    already           probability that it was outside by level when the stretch began
    never             that its level never left the limits in the stretch: outside by scatter alone
    mean_day          over the ways that crossed; None: none did
    quantile_days     at QUANTILES of the same, one that was outside already counting as the begin
    curve             (day, probability of having crossed by then) from begin to end
    """

    x: float | None
    mpd_pct: float | None
    already: float
    never: float
    mean_day: float | None
    quantile_days: tuple[float, ...] | None
    curve: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Trace:
    """Which work is suspect, and when the wrench left its limits.

    pulls       in the order given
    jobs        the most suspect first, those that cannot be judged at the head
    crossings   one a target, then anywhere
    expected    how many pulls were outside, on average
    paths       how many possible ways it rests on
    """

    stretch: Stretch
    pulls: tuple[TracedPull, ...]
    jobs: tuple[TracedJob, ...]
    crossings: tuple[Crossing, ...]
    expected: float
    not_judged: int
    paths: int


@dataclass(frozen=True, slots=True)
class Finding:
    """What a check found: whether every reading was within its MPD, and whether it speaks of use.

    A check as left follows an adjustment: it says nothing of the work before.
    """

    check: str
    inside: bool
    after_use: bool


def findings_of(deviations: pl.DataFrame, history: Histories) -> tuple[Finding, ...]:
    """The checks of a single wrench in order.

    deviations  its readings in one direction (frame of `analysis.deviation.with_deviations`)

    A check finds a wrench inside when every reading is within its MPD (ISO 6789-1:2017, from
    memory).
    """
    inside = within(pl.col("deviation_pct"), pl.col("mpd_pct")).fill_null(value=True).all()
    judged = {
        row["check"]: row
        for row in deviations.group_by("check")
        .agg(pl.col("kind").first(), inside.alias("inside"))
        .iter_rows(named=True)
    }
    return tuple(
        Finding(
            check=name,
            inside=judged[name]["inside"],
            after_use=judged[name]["kind"] != CheckKind.AS_LEFT.value,
        )
        for name in history.checks[0]
    )


def stretch_of(
    findings: Sequence[Finding],
    history: Histories,
    day: float,
    check: str | None = None,
    *,
    until_now: bool = False,
) -> Stretch:
    """The stretch to look at in the history of a single wrench.

    findings   of its checks, in order
    day        the day of the question: the end, where no check ends the stretch
    check      the check that found it outside; None: the last after use that did
    until_now  from the last check that found it inside up to the day of the question, whatever
               other checks found

    Where none found it outside, as with `until_now`. Raises NotEnoughEvidence where no check comes
    before the one that found it outside.
    """
    ends = [
        c
        for c, found in enumerate(findings)
        if (found.check == check if check else found.after_use and not found.inside)
    ]
    end = None if until_now or not ends else ends[-1]
    if end == 0:
        raise NotEnoughEvidence(
            because="the check that found it outside is the first of the wrench in this direction,"
            " so nothing says since when",
            needed="its calibration card, entered as a check, would do",
        )
    good = [c for c, found in enumerate(findings[:end]) if found.inside]
    first, last = (good[-1] if good else 0), (len(findings) - 1 if end is None else end)
    last_day = float(history.day[0, last])
    return Stretch(
        first=first,
        last=last,
        last_good=findings[first].check if good else None,
        found_out=None if end is None else findings[end].check,
        begin_day=float(history.day[0, first]),
        end_day=max(day, last_day) if end is None else last_day,
    )


def trace(
    family: FamilyFit,
    row: int,
    marked: WrenchRange,
    targets_x: Sequence[float],
    stretch: Stretch,
    pulls: pl.DataFrame,
) -> Trace:
    """Trace the work of one member of a family over a stretch of its history.

    targets_x  shares of full scale at which crossings are wanted, e.g. the plan's
    pulls      frame of `analysis.evidence.PULLS`: work of this wrench in the family's direction
               within the stretch, in any order
    """
    member = family.of_rows([row])
    random = np.random.default_rng(_SEED)
    paths = draw_level_paths(member, stretch.first, stretch.last, stretch.end_day, random)
    traced, jobs = _traced(paths, family.tails, marked, family.direction, pulls)
    limits = marked.mpd_pct(family.direction, np.asarray(targets_x))
    return Trace(
        stretch=stretch,
        pulls=traced,
        jobs=jobs,
        crossings=crossings(paths, tuple(targets_x), limits, random),
        expected=sum(pull.expected for pull in traced),
        not_judged=sum(job.not_judged for job in jobs),
        paths=paths.level.shape[0] * paths.level.shape[1],
    )


def crossings(
    paths: LevelPaths, x: tuple[float, ...], mpd_pct: Array, random: np.random.Generator
) -> tuple[Crossing, ...]:
    """The crossing at each place, then at any of them.

    mpd_pct  (J,) limits at the places x
    """
    steps = np.diff(paths.day)
    # One draw a step for all places: they see the same wander.
    unseen = random.random((*paths.level.shape[:2], len(steps)))
    firsts = [
        _first_outside(paths, place, float(limit), steps, unseen)
        for place, limit in zip(x, mpd_pct, strict=True)
    ]
    found = [
        _crossing(paths.day, first, place, float(limit))
        for first, place, limit in zip(firsts, x, mpd_pct, strict=True)
    ]
    anywhere = np.minimum.reduce(firsts)
    return (*found, _crossing(paths.day, anywhere, None, None))


def _first_outside(
    paths: LevelPaths, x: float, mpd_pct: float, steps: Array, unseen: Array
) -> Array:
    """(K, R) index of the first day on which the level is outside; T where it never is."""
    z = np.array([1.0, 1.0 / x])
    level = paths.level @ z
    outside = np.abs(level) > mpd_pct
    variance = (paths.law.wander_sd**2 @ z**2)[:, None, None] * steps / DAYS_PER_YEAR
    for side in (1.0, -1.0):
        room = np.maximum(mpd_pct - side * level, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):  # no time, no wander: nothing unseen
            slipped = np.exp(-2.0 * room[..., :-1] * room[..., 1:] / variance)
        outside[..., 1:] |= unseen < np.where(variance > 0, slipped, 0.0)
    ever = outside.any(axis=-1)
    return np.asarray(np.where(ever, outside.argmax(axis=-1), len(paths.day)))


def _crossing(day: Array, first: Array, x: float | None, mpd_pct: float | None) -> Crossing:
    index = first.ravel()
    crossed = index < len(day)
    # Between two days of the grid, the middle; the begin for one that was outside already.
    at = np.append((day + day[np.maximum(np.arange(len(day)) - 1, 0)]) / 2, np.inf)[index]
    shown = np.unique(np.linspace(0, len(day) - 1, _CURVE_POINTS).round().astype(int))
    return Crossing(
        x=x,
        mpd_pct=mpd_pct,
        already=float((index == 0).mean()),
        never=float(1.0 - crossed.mean()),
        mean_day=float(at[crossed].mean()) if crossed.any() else None,
        quantile_days=(
            tuple(np.quantile(at[crossed], QUANTILES).tolist()) if crossed.any() else None
        ),
        curve=tuple((float(day[t]), float((index <= t).mean())) for t in shown),
    )


def pull_probabilities(
    paths: LevelPaths, tails: Tails, x: Array, mpd_pct: Array, day: Array
) -> tuple[Array, Array]:
    """(P, K, R) chances, way by way, that pulls deliver too little, and too much.

    x, mpd_pct, day  (P,) of the pulls; the level is that of the last day of the grid up to then
    """
    from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

    law = paths.law
    at = np.clip(np.searchsorted(paths.day, day, side="right") - 1, 0, len(paths.day) - 1)
    z = np.stack([np.ones_like(x), 1.0 / x], axis=-1)
    level = np.einsum("krpi,pi->pkr", paths.level[:, :, at], z)
    hand = np.einsum("ki,pi->pk", law.check_sd**2, z**2)
    scatter = law.scatter_variance(x).T
    too_little, too_much = np.zeros_like(level), np.zeros_like(level)
    for share, factor in ((1 - law.stray_share, 1.0), (law.stray_share, STRAY_FACTOR)):
        if not share.any():
            continue
        for weight, spread in tails.parts():
            sd = np.sqrt(factor**2 * hand + spread**2 * scatter)[..., None]
            part = weight * share[:, None]
            too_little += part * ndtr((level - mpd_pct[:, None, None]) / sd)
            too_much += part * ndtr((-mpd_pct[:, None, None] - level) / sd)
    return too_little, too_much


def _traced(
    paths: LevelPaths,
    tails: Tails,
    marked: WrenchRange,
    direction: Direction,
    pulls: pl.DataFrame,
) -> tuple[tuple[TracedPull, ...], tuple[TracedJob, ...]]:
    order = pulls.with_row_index("place").sort("job", "place")
    x = order["torque_nm"].to_numpy() / marked.full_scale_nm
    # Conversion between units moves the ends of a range by rounding noise.
    slack = 1e-9
    inside = (x >= marked.lowest_nm / marked.full_scale_nm - slack) & (x <= 1.0 + slack)
    mpd = marked.mpd_pct(direction, x)
    day, count = order["day"].to_numpy(), order["count"].to_numpy().astype(np.float64)
    low, high = np.zeros(len(x)), np.zeros(len(x))
    job = order["job"].rle_id().to_numpy().astype(np.intp)
    jobs = int(job.max()) + 1 if len(job) else 0
    clear = np.empty(jobs)  # that none of a job's pulls was outside
    bounds = np.searchsorted(job, np.arange(jobs + 1))
    start = 0
    while start < len(x):
        # Whole jobs at a time, so that each one's ways stay together.
        end_job = max(job[start] + 1, np.searchsorted(bounds, start + _CHUNK, side="right") - 1)
        end = int(bounds[end_job])
        part = slice(start, end)
        little, much = pull_probabilities(paths, tails, x[part], mpd[part], day[part])
        low[part], high[part] = little.mean(axis=(1, 2)), much.mean(axis=(1, 2))
        judged = np.where(inside[part], count[part], 0.0)
        none_outside = np.log1p(-np.minimum(little + much, 1 - 1e-12)) * judged[:, None, None]
        by_job = np.add.reduceat(none_outside, bounds[job[start] : end_job] - start, axis=0)
        clear[job[start] : end_job] = np.exp(by_job).mean(axis=(1, 2))
        start = end
    expected = np.where(inside, count * (low + high), 0.0)
    traced: list[TracedPull | None] = [None] * len(x)
    for i, place in enumerate(order["place"].to_list()):
        known = bool(inside[i])
        traced[place] = TracedPull(
            pull=order["pull"][i],
            probability=float(low[i] + high[i]) if known else None,
            low=float(low[i]) if known else None,
            high=float(high[i]) if known else None,
            mpd_pct=float(mpd[i]) if known else None,
            expected=float(expected[i]),
        )
    names = order["job"].to_list()
    found = [
        TracedJob(
            job=names[bounds[j]],
            pulls=int(count[bounds[j] : bounds[j + 1]].sum()),
            probability=float(1 - clear[j]) if inside[bounds[j] : bounds[j + 1]].any() else None,
            expected=float(expected[bounds[j] : bounds[j + 1]].sum()),
            not_judged=int(np.where(inside, 0.0, count)[bounds[j] : bounds[j + 1]].sum()),
        )
        for j in range(jobs)
    ]
    found.sort(key=lambda each: (not each.not_judged, -(each.probability or 0.0), each.job))
    return tuple(each for each in traced if each is not None), tuple(found)
