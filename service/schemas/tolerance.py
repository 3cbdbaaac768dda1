"""Maximum permissible deviations, of a wrench and as a certificate states them."""

from typing import Annotated, Self

from pydantic import Field

from service import records
from service.records import ToleranceBasis
from service.schemas.base import Answer, Input


class MpdInput(Input):
    """Maximum permissible deviation: ± percent of the reading or of full scale."""

    percent: Annotated[float, Field(gt=0, le=100)]
    basis: ToleranceBasis = ToleranceBasis.READING

    def mpd(self) -> records.MaximumPermissibleDeviation:
        return records.MaximumPermissibleDeviation(percent=self.percent, basis=self.basis)


class MpdAnswer(Answer):
    """Maximum permissible deviation: ± percent of the reading or of full scale."""

    percent: float
    basis: ToleranceBasis

    @classmethod
    def of(cls, mpd: records.MaximumPermissibleDeviation) -> Self:
        return cls(percent=mpd.percent, basis=mpd.basis)
