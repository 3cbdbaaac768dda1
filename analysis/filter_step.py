"""One check's step of the state filter, in single numbers for speed.

The same as `analysis.state_filter.observe` in three branches and `merged` after it, in fewer
operations. Before the check the level has mean m and covariance L, the rate q and R, both together
C; `analysis.check_branches` gives u_b and D_b of each branch b. With weights w_b, the mean u of the
u_b and

    G = sum w_b D_b - sum w_b (u_b - u)(u_b - u)'

the merged normal distribution is, but for the knock, that after a single check with u and G:

    m + L u,   q + C' u,   L - L G L,   C - L G C,   R - C' G C

A knock of variance K, of weight w and with u_k and D_k in its branch, adds K w u_k to the mean of
the level and, with T = w (D_k - u_k (u_k - u)'),

    to L:  w K - K T L - L T' K - K w (D_k - (1 - w) u_k u_k') K,     to C:  -K T C

(write out the covariance of the mixture). Nothing is approximated: it is `observe` and `merged` up
to rounding (`tests/analysis/test_filter_step.py`).
"""

from dataclasses import dataclass

import numpy as np

from analysis.arrays import Array, Flags
from analysis.check_branches import Branch, Seen
from analysis.filter_moments import Moments, StepLaw


@dataclass(frozen=True, slots=True)
class Step:
    """What became of a check: its log likelihood, and the chances of events; each (P, N).

    knocked, astray  None where it was not possible
    """

    log_likelihood: Array
    knocked: Array | None
    astray: Array | None


def take_in(
    known: Moments, law: StepLaw, said: Array, knock: Array | None, certain: Flags | None = None
) -> Step:
    """Take a check into what is known, which changes.

    said     (5, P, N) of `analysis.check_statistics`
    knock    (P, N) chance of a knock before the check; None: none
    certain  (P, N) where a knock is certain, and the check then not astray: already in what is
             known, and its chance here zero; None: nowhere
    """
    seen = Seen(known, law, said)
    quiet = seen.quiet()
    events = _events(law, knock, certain)
    if not events:
        inverse = quiet.inverse
        g00, g01, g11 = seen.d00 * inverse, seen.d01 * inverse, seen.d11 * inverse
        _update(known, quiet.u0, quiet.u1, g00, g01, g11)
        return Step(seen.base + quiet.fit + 0.5 * np.log(inverse), None, None)
    branches = [seen.with_event(event.e0, event.e1) for event in events]
    chances = [_no_event(law, knock, certain), *(event.chance for event in events)]
    together, weights = _weighed(chances, [quiet, *branches])
    # G, first sum: the shares w_b / det_b, and what the events add to adj(V) by their shares.
    share = weights[0] * quiet.inverse
    parts = [_part(*each, quiet) for each in zip(events, branches, weights[1:], strict=True)]
    (own, added0, added1, away0, away1, g00, g01, g11), *more = parts
    share += own
    for own, *others in more:
        share += own
        for total, value in zip((added0, added1, away0, away1, g00, g01, g11), others, strict=True):
            total += value
    # Second sum: what was added is the spread about u of no event; less that of u itself.
    np.subtract(away0 * away0, g00, out=g00)
    np.subtract(away0 * away1, g01, out=g01)
    np.subtract(away1 * away1, g11, out=g11)
    g00 += share * seen.d00
    added1 *= seen.det
    g00 += added1
    g01 += share * seen.d01
    g11 += share * seen.d11
    added0 *= seen.det
    g11 += added0
    u0, u1 = quiet.u0 + away0, quiet.u1 + away1
    knocked = None
    if knock is not None:
        knocked = _knock(seen, law, branches[0], weights[1], u0, u1)
    _update(known, u0, u1, g00, g01, g11, knocked)
    return Step(
        log_likelihood=seen.base + together,
        knocked=None if knock is None else weights[1],
        astray=weights[-1] if law.may_stray else None,
    )


def _part(event: "_Event", branch: Branch, weight: Array, quiet: Branch) -> tuple[Array, ...]:
    """What an event brings: w / det, that times its variances, w (u - u of no event), and the
    square of that difference times w.
    """
    own = weight * branch.inverse
    apart0, apart1 = branch.u0 - quiet.u0, branch.u1 - quiet.u1
    away0, away1 = weight * apart0, weight * apart1
    g01 = away0 * apart1
    apart0 *= away0
    apart1 *= away1
    return own, own * event.e0, own * event.e1, away0, away1, apart0, g01, apart1


@dataclass(frozen=True, slots=True)
class _Event:
    """Its chance, and the variances that it adds; all (P, N)."""

    chance: Array
    e0: Array
    e1: Array


def _no_event(law: StepLaw, knock: Array | None, certain: Flags | None) -> Array:
    quiet = law.quiet if certain is None else np.where(certain, 1.0, law.quiet)
    return quiet if knock is None else quiet * (1.0 - knock)


def _events(law: StepLaw, knock: Array | None, certain: Flags | None) -> list[_Event]:
    """A knock first, if there may be one; then a stray check, if it may be one."""
    events = []
    if knock is not None:
        events.append(_Event(knock, law.knock0, law.knock1))
    if law.may_stray:
        stray = law.stray if certain is None else np.where(certain, 0.0, law.stray)
        stray = stray if knock is None else stray * (1.0 - knock)
        events.append(_Event(stray, law.astray0, law.astray1))
    return events


def _weighed(chances: list[Array], branches: list[Branch]) -> tuple[Array, list[Array]]:
    """Log likelihood of all branches together but for what they share, and each one's weight."""
    # A branch without a chance must not count however well it would explain the check.
    fits = [
        branch.fit if chance.all() else np.where(chance > 0.0, branch.fit, -np.inf)
        for chance, branch in zip(chances, branches, strict=True)
    ]
    top = np.maximum(fits[0], fits[1])
    for fit in fits[2:]:
        np.maximum(top, fit, out=top)
    joint = []
    for chance, branch, fit in zip(chances, branches, fits, strict=True):
        own = fit - top
        np.exp(own, out=own)
        own *= chance
        own *= np.sqrt(branch.inverse)
        joint.append(own)
    total = joint[0] + joint[1]
    for own in joint[2:]:
        total += own
    inverse = 1.0 / total
    for own in joint:
        own *= inverse
    np.log(total, out=total)
    total += top
    return total, joint


@dataclass(frozen=True, slots=True)
class _Knock:
    """What the branch of a knock adds: K w u_k; K T; K w (D_k - (1 - w) u_k u_k') K - w K."""

    m0: Array
    m1: Array
    t00: Array
    t01: Array
    t10: Array
    t11: Array
    a00: Array
    a01: Array
    a11: Array


def _knock(seen: Seen, law: StepLaw, branch: Branch, weight: Array, u0: Array, u1: Array) -> _Knock:
    k0, k1 = law.knock0, law.knock1
    own = weight * branch.inverse
    # Of w D_k, then of T, then of K T.
    d00 = seen.det * k1
    d00 += seen.d00
    d00 *= own
    d11 = seen.det * k0
    d11 += seen.d11
    d11 *= own
    d01 = own * seen.d01
    pull0, pull1 = weight * branch.u0, weight * branch.u1
    rest0, rest1 = branch.u0 - pull0, branch.u1 - pull1
    a00, a01, a11 = pull0 * rest0, pull0 * rest1, pull1 * rest1
    np.subtract(d00, a00, out=a00)
    np.subtract(d01, a01, out=a01)
    np.subtract(d11, a11, out=a11)
    a00 *= k0
    a00 -= weight
    a00 *= k0
    a01 *= k0
    a01 *= k1
    a11 *= k1
    a11 -= weight
    a11 *= k1
    apart0, apart1 = branch.u0 - u0, branch.u1 - u1
    t10 = d01 - pull1 * apart0
    t10 *= k1
    d00 -= pull0 * apart0
    d00 *= k0
    d01 -= pull0 * apart1
    d01 *= k0
    d11 -= pull1 * apart1
    d11 *= k1
    pull0 *= k0
    pull1 *= k1
    return _Knock(pull0, pull1, d00, d01, t10, d11, a00, a01, a11)


def _update(
    s: Moments,
    u0: Array,
    u1: Array,
    g00: Array,
    g01: Array,
    g11: Array,
    knock: _Knock | None = None,
) -> None:
    """The moments after a check with u and G, and with what a knock adds."""
    l00, l01, l11 = s.l00, s.l01, s.l11
    s.m0 += l00 * u0
    s.m0 += l01 * u1
    s.m1 += l01 * u0
    s.m1 += l11 * u1
    s.q0 += s.c00 * u0
    s.q0 += s.c10 * u1
    s.q1 += s.c01 * u0
    s.q1 += s.c11 * u1
    # x = L G + K T: the level's covariances lose x L and x C.
    x00 = l00 * g00
    x00 += l01 * g01
    x01 = l00 * g01
    x01 += l01 * g11
    x10 = l01 * g00
    x10 += l11 * g01
    x11 = l01 * g01
    x11 += l11 * g11
    lost: list[Array] = []
    if knock is not None:
        s.m0 += knock.m0
        s.m1 += knock.m1
        # L loses the transpose of K T L, too.
        lost00 = knock.t00 * l00
        lost00 += knock.t01 * l01
        lost00 += knock.a00
        lost01 = knock.t10 * l00
        lost01 += knock.t11 * l01
        lost01 += knock.a01
        lost11 = knock.t10 * l01
        lost11 += knock.t11 * l11
        lost11 += knock.a11
        lost = [lost00, lost01, lost11]
        x00 += knock.t00
        x01 += knock.t01
        x10 += knock.t10
        x11 += knock.t11
    after00 = l00 - x00 * l00
    after00 -= x01 * l01
    after01 = l01 - x00 * l01
    after01 -= x01 * l11
    after11 = l11 - x10 * l01
    after11 -= x11 * l11
    for after, more in zip((after00, after01, after11), lost, strict=False):
        after -= more
    s.l00, s.l01, s.l11 = after00, after01, after11
    # y = G C: the rate's covariance loses C' y.
    c00, c01, c10, c11 = s.c00, s.c01, s.c10, s.c11
    y00 = g00 * c00
    y00 += g01 * c10
    y01 = g00 * c01
    y01 += g01 * c11
    y11 = g01 * c01
    y11 += g11 * c11
    y10 = g01 * c00
    y10 += g11 * c10
    s.r00 -= c00 * y00
    s.r00 -= c10 * y10
    s.r01 -= c00 * y01
    s.r01 -= c10 * y11
    s.r11 -= c01 * y01
    s.r11 -= c11 * y11
    s.c00 = c00 - x00 * c00
    s.c00 -= x01 * c10
    s.c10 = c10 - x10 * c00
    s.c10 -= x11 * c10
    s.c01 = c01 - x00 * c01
    s.c01 -= x01 * c11
    s.c11 = c11 - x10 * c01
    s.c11 -= x11 * c11
