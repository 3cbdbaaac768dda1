"""A maximum permissible deviation from its two columns."""

from service.records import MaximumPermissibleDeviation, ToleranceBasis


def mpd_of(percent: float | None, basis: str | None) -> MaximumPermissibleDeviation | None:
    if percent is None or basis is None:
        return None
    return MaximumPermissibleDeviation(percent=percent, basis=ToleranceBasis(basis))
