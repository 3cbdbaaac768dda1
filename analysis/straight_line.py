"""Straight lines, polynomials and other linear fits by least squares, with their uncertainty.

    y = X b + e

Either the standard uncertainties u of y are known: weights 1/u², the covariance of b is
(X' W X)^-1 as it stands, and chi-squared of the residuals says whether u is credible. Or they are
equal and unknown: the residual SD estimates them.

Solved by QR of the scaled columns; the normal equations, which lose half the digits, are not used.

Sources: ISO/TS 28037:2010 (known uncertainties of y, x exact); JCGM 100:2008 (GUM) H.3; certified
digits by the Statistical Reference Datasets of NIST.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence


@dataclass(frozen=True, slots=True)
class LinearFit:
    """A linear least squares fit of n values by p coefficients.

    estimates     (p,) coefficients b; of a polynomial, the constant first
    uncertainties (p,) standard uncertainties
    covariance    (p, p)
    df            n - p
    residuals     (n,) y - X b
    residual_sd   of y; of y / u where u was given
    chi_squared   sum of (residual / u)² for known u, else None
    powers        powers of x that the columns are; None for columns of another kind
    """

    estimates: Array
    uncertainties: Array
    covariance: Array
    df: int
    residuals: Array
    residual_sd: float
    chi_squared: float | None
    powers: tuple[int, ...] | None

    def at(self, x: float) -> tuple[float, float]:
        """Fitted value at x and its standard uncertainty; for fits by powers of x."""
        if self.powers is None:
            raise ValueError("the columns of this fit are not powers of one variable")
        row = np.array([x**power for power in self.powers], dtype=np.float64)
        return float(row @ self.estimates), float(np.sqrt(row @ self.covariance @ row))

    def x_where(self, y: float, y_u: float = 0.0) -> tuple[float, float]:
        """x at which a straight line takes the value y ± y_u, and its standard uncertainty.

        First order in the uncertainties (ISO/TS 28037:2010, inverse evaluation). Raises ValueError
        unless the fit is a straight line, ZeroDivisionError for a level one.
        """
        if self.powers != (0, 1):
            raise ValueError("only a straight line with a constant is inverted")
        constant, slope = (float(b) for b in self.estimates)
        x = (y - constant) / slope
        row = np.array([1.0, x])
        return x, float(np.sqrt(y_u**2 + row @ self.covariance @ row)) / abs(slope)


def fit_line(x: ArrayLike, y: ArrayLike, u: ArrayLike | None = None) -> LinearFit:
    """The line y = b0 + b1 x through n points; arguments as `fit_polynomial`."""
    return fit_polynomial(x, y, (0, 1), u)


def fit_polynomial(
    x: ArrayLike, y: ArrayLike, powers: tuple[int, ...], u: ArrayLike | None = None
) -> LinearFit:
    """y as a sum of powers of x: (0, 1) a line, (1,) one through the origin, (0, 1, 2) a parabola.

    x       (n,) exact
    y       (n,)
    u       (n,) standard uncertainties of y, independent, > 0; None: equal and unknown

    Raises NotEnoughEvidence as `fit_columns`.
    """
    at = np.asarray(x, dtype=np.float64)
    columns = np.column_stack([at**power for power in powers])
    return fit_columns(columns, y, u, powers=powers)


def fit_columns(
    columns: ArrayLike,
    y: ArrayLike,
    u: ArrayLike | None = None,
    *,
    powers: tuple[int, ...] | None = None,
) -> LinearFit:
    """y as a combination of the columns.

    columns  (n, p); a column of ones where a constant is wanted
    y, u     as `fit_polynomial`

    Raises NotEnoughEvidence when the values are fewer than the coefficients, or as many and their
    uncertainty is unknown, or the columns cannot be told apart.
    """
    design = np.asarray(columns, dtype=np.float64)
    values = np.asarray(y, dtype=np.float64)
    n, p = design.shape
    if n < p + (u is None):
        raise NotEnoughEvidence(
            because=f"{n} values cannot give {p} coefficients and their uncertainty",
            needed=f"at least {p + (u is None)} values",
        )
    known = u is not None
    root = 1.0 / np.asarray(u, dtype=np.float64) if u is not None else np.ones(n)
    weighted = design * root[:, None]
    # Columns of equal length: powers of x may differ by many orders of magnitude.
    length = np.sqrt((weighted**2).sum(axis=0))
    if not np.all(length > 0.0):
        raise NotEnoughEvidence(
            because="a column of the fit is zero throughout", needed="values that differ in x"
        )
    q, r = np.linalg.qr(weighted / length)
    if np.abs(np.diag(r)).min() < n * np.finfo(np.float64).eps:
        raise NotEnoughEvidence(
            because="the values of x are too few or too alike to tell the coefficients apart",
            needed="values at more distinct x",
        )
    scaled = np.linalg.solve(r, q.T @ (values * root))
    # One step of refinement wins back the digits that a long column cost.
    left = (values - design @ (scaled / length)) * root
    scaled = scaled + np.linalg.solve(r, q.T @ left)
    estimates = scaled / length
    residuals = values - design @ estimates
    squares = float(((residuals * root) ** 2).sum())
    df = n - p
    residual_sd = float(np.sqrt(squares / df)) if df else float("nan")
    inverse = np.linalg.solve(r, np.eye(p)) / length[:, None]
    covariance = inverse @ inverse.T * (1.0 if known else residual_sd**2)
    return LinearFit(
        estimates=estimates,
        uncertainties=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        df=df,
        residuals=residuals,
        residual_sd=residual_sd,
        chi_squared=squares if known else None,
        powers=powers,
    )
