"""A check as the state filter sees it from what it knows, without an event and with one.

Before the check the level has covariance L; the check's effect has covariance S, and V = L + S. A
branch b (no event, a knock, a stray check) adds a diagonal E_b to V, and with r = h - H m and adj
the adjugate of a 2 x 2 matrix

    det_b = det(I + H (V + E_b)) = det(I + H V) + tr(E_b (H + det H adj V)) + det H det E_b
    u_b   = (I + H (V + E_b))^-1 r = (r + adj(V + E_b) adj(H) r) / det_b
    D_b   = (I + H (V + E_b))^-1 H = (H + det H adj(V + E_b)) / det_b
    log likelihood_b = (r' (V + E_b) u_b - log det_b) / 2 + what is common to all branches

so what the branches share is worked out once: the dozen products of H, V and r in `Seen`.
"""

from dataclasses import dataclass

from analysis.arrays import Array
from analysis.filter_moments import Moments, StepLaw


@dataclass(frozen=True, slots=True)
class Branch:
    """What one branch makes of a check.

    fit      r' (V + E) u / 2
    inverse  1 / det
    u0, u1   u
    """

    fit: Array
    inverse: Array
    u0: Array
    u1: Array


class Seen:
    """A check seen from what is known before it: what all branches share.

    base           log likelihood of every branch, to which each adds its own
    h00, h01, h11  H, of determinant `det`
    r0, r1         r;  g0, g1: adj(H) r;  rg: r' adj(H) r / 2
    d00, d01, d11  H + det H adj(V)
    s00, s11       diagonal of r r' / 2 + rg adj(V)
    whole          det(I + H V)
    fit            r' V adj(I + H V) r / 2
    a0, a1         r + adj(V) adj(H) r
    """

    def __init__(self, known: Moments, law: StepLaw, said: Array) -> None:
        h0, h1, h00, h01, h11 = said
        v00, v11, v01 = known.l00 + law.check0, known.l11 + law.check1, known.l01
        r0 = h0 - h00 * known.m0
        r0 -= h01 * known.m1
        r1 = h1 - h01 * known.m0
        r1 -= h11 * known.m1
        base = (h0 + r0) * known.m0
        base += (h1 + r1) * known.m1
        base *= 0.5
        g0 = h11 * r0
        g0 -= h01 * r1
        g1 = h00 * r1
        g1 -= h01 * r0
        det = h00 * h11
        det -= h01 * h01
        half0, half1 = 0.5 * r0, 0.5 * r1
        rg = half0 * g0
        rg += half1 * g1
        half0 *= r0
        half1 *= r1
        d00 = det * v11
        d00 += h00
        d01 = h01 - det * v01
        d11 = det * v00
        d11 += h11
        s00 = rg * v11
        s00 += half0
        s11 = rg * v00
        s11 += half1
        whole = h00 * v00
        whole += d11 * v11
        whole += (h01 + d01) * v01
        whole += 1.0
        fit = half0 * v00
        fit += s11 * v11
        fit += (r0 * r1 - rg * v01) * v01
        a0 = v11 * g0
        a0 += r0
        a0 -= v01 * g1
        a1 = v00 * g1
        a1 += r1
        a1 -= v01 * g0
        self.base, self.fit, self.whole = base, fit, whole
        self.h00, self.h01, self.h11, self.det = h00, h01, h11, det
        self.r0, self.r1, self.g0, self.g1, self.rg = r0, r1, g0, g1, rg
        self.d00, self.d01, self.d11, self.s00, self.s11 = d00, d01, d11, s00, s11
        self.a0, self.a1 = a0, a1

    def quiet(self) -> Branch:
        """Without an event."""
        inverse = 1.0 / self.whole
        return Branch(self.fit * inverse, inverse, self.a0 * inverse, self.a1 * inverse)

    def with_event(self, e0: Array, e1: Array) -> Branch:
        """With an event that adds these variances."""
        both = e0 * e1
        whole = both * self.det
        whole += self.whole
        whole += e0 * self.d00
        whole += e1 * self.d11
        inverse = 1.0 / whole
        fit = both * self.rg
        fit += self.fit
        fit += e0 * self.s00
        fit += e1 * self.s11
        fit *= inverse
        u0 = e1 * self.g0
        u0 += self.a0
        u0 *= inverse
        u1 = e0 * self.g1
        u1 += self.a1
        u1 *= inverse
        return Branch(fit, inverse, u0, u1)
