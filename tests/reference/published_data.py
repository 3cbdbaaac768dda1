"""Reading the published data files beside this module."""

from pathlib import Path

import numpy as np
import polars as pl

_FOLDER = Path(__file__).parent / "data"


def published(name: str) -> dict[str, np.ndarray]:
    """The columns of `data/<name>.csv` by their heading."""
    frame = pl.read_csv(_FOLDER / f"{name}.csv", infer_schema_length=None)
    return {column: frame[column].to_numpy() for column in frame.columns}
