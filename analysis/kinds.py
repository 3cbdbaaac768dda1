"""Kinds of wrenches: a mechanism and a size class, and the names of the families they make."""

from typing import Final, TypeAlias

import polars as pl

from analysis.vocabulary import Mechanism

_SIZE_LIMITS_NM: Final = (30.0, 200.0)
_SIZE_NAMES: Final = ("small", "medium", "large")

Kind: TypeAlias = tuple[Mechanism, str]


def size_class(full_scale_nm: float) -> str:
    """small, medium or large, with limits at 30 and 200 N·m (a choice, no source)."""
    return _SIZE_NAMES[sum(full_scale_nm > limit for limit in _SIZE_LIMITS_NM)]


def size_column(full_scale_nm: str = "full_scale_nm") -> pl.Expr:
    """`size_class` of each row of a frame, as column `size`."""
    above = sum(
        ((pl.col(full_scale_nm) > limit).cast(pl.UInt8) for limit in _SIZE_LIMITS_NM),
        start=pl.lit(0, dtype=pl.UInt8),
    )
    names = dict(enumerate(_SIZE_NAMES))
    return above.replace_strict(names, return_dtype=pl.String).alias("size")


def kinds_of(wrenches: pl.DataFrame) -> dict[str, Kind]:
    """Mechanism and size class of every wrench of the frame `analysis.evidence.WRENCHES`."""
    return {
        wrench: (Mechanism(mechanism), size)
        for wrench, mechanism, size in wrenches.select(
            "wrench", "mechanism", size_column()
        ).iter_rows()
    }


def names_of_families(kind: Kind) -> tuple[str, str]:
    """Names of the family of one size and of the one that several sizes share."""
    mechanism, size = kind
    return f"{mechanism.value}, {size}", f"{mechanism.value}, all sizes"
