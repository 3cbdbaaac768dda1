"""What analysis raises.

AnalysisError
├── NotEnoughEvidence   the question is sound, the data cannot answer it yet
└── OutsideRange        the question lies where the wrench has no stated performance
"""


class AnalysisError(Exception):
    """Base of every error that `analysis` raises on purpose."""


class NotEnoughEvidence(AnalysisError):  # noqa: N818 - a finding in the words of the trade
    """The data cannot support an answer: `because` says why, `needed` what would do."""

    def __init__(self, *, because: str, needed: str) -> None:
        super().__init__(f"not enough evidence, because {because}; {needed}")
        self.because = because
        self.needed = needed


class OutsideRange(AnalysisError):  # noqa: N818 - a finding in the words of the trade
    """A torque or direction for which the wrench has no marked range or no stated tolerance."""

    def __init__(self, *, because: str, needed: str) -> None:
        super().__init__(f"outside the range, because {because}; {needed}")
        self.because = because
        self.needed = needed
