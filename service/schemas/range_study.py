"""The range study over HTTP: the claims with their verdicts, and the rule they were judged by."""

from datetime import date
from typing import Any, Self

from pydantic import Field

from analysis.range_claim import MATTERS, Claim, Subject, Verdict
from analysis.range_study import RangeStudy, StudyRules
from analysis.vocabulary import Direction, Mechanism
from service import cautions
from service.range_finding import finding
from service.range_wording import PUBLISHED_RATES, RATES_COMMAND, claim_in_words, rule_in_words
from service.schemas.analyses import FromAnalysis, MethodAnswer, TooThin, or_none
from service.schemas.base import Answer, UtcInstant
from service.schemas.range_mechanism import EstimateAnswer, MechanismAnswer
from service.schemas.trusted_windows import TrustedWindowAnswer


class ErrorRateAnswer(FromAnalysis):
    """How often the rule called fleets of known truth confirmed."""

    fleets: str
    confirmed: float
    of: int = Field(description="How many fleets.")


class RuleAnswer(Answer):
    """How a claim is judged, laid down before any data."""

    matters: float = Field(
        default=MATTERS, description="Smallest ratio of typical errors that would matter."
    )
    confidence: float = 0.95
    in_words: str = Field(default_factory=rule_in_words)
    published_rates: tuple[ErrorRateAnswer, ...]
    command: str = Field(default=RATES_COMMAND, description="What finds these rates anew.")

    @classmethod
    def stated(cls) -> Self:
        return cls(
            published_rates=tuple(ErrorRateAnswer.model_validate(rate) for rate in PUBLISHED_RATES)
        )


class SettlingAnswer(FromAnalysis):
    """What would settle an open claim four times in five, if the ratio is what it seems."""

    wrenches_more: int | None = Field(
        description="Checked as often as the others were; null: no foreseeable number would do."
    )
    checks_more: int | None = Field(
        description="Of the same wrenches; null: no foreseeable number would do."
    )


class ClaimAnswer(Answer):
    """One claim of the trade with the verdict on it."""

    subject: Subject
    mechanism: Mechanism
    direction: Direction
    verdict: Verdict
    ratio: EstimateAnswer | None = Field(description="That was judged; null: see `unanswered`.")
    settling: SettlingAnswer | None
    unanswered: TooThin | None
    in_words: str

    @classmethod
    def of(cls, claim: Claim) -> Self:
        return cls(
            subject=claim.subject,
            mechanism=claim.mechanism,
            direction=claim.direction,
            verdict=claim.verdict,
            ratio=or_none(EstimateAnswer, claim.ratio),
            settling=or_none(SettlingAnswer, claim.settling),
            unanswered=or_none(TooThin, claim.unanswered),
            in_words=claim_in_words(claim),
        )


class StudyRulesAnswer(Answer):
    """What the study was asked with: the shop's policy, and the capability aimed at."""

    low_below_pct_of_full_scale: float
    upper_above_pct_of_full_scale: float
    caution_below_pct_of_full_scale: float
    tolerated_pull_risk: float
    ppk_aimed_at: float

    @classmethod
    def of(cls, rules: StudyRules) -> Self:
        return cls(
            low_below_pct_of_full_scale=100 * rules.bands.low_below,
            upper_above_pct_of_full_scale=100 * rules.bands.upper_above,
            caution_below_pct_of_full_scale=100 * rules.low_mark,
            tolerated_pull_risk=rules.tolerated_pull_risk,
            ppk_aimed_at=rules.ppk_aimed_at,
        )


class FindingAnswer(FromAnalysis):
    """The study in plain words, part by part."""

    asked: str
    verdict: str
    measured: str
    found: str
    made_of: str = Field(description="What the error at the bottom is made of.")
    trust: str = Field(description="Where trust begins, beside the trade's mark.")
    explained: str = Field(description="What else could explain it, and whether that shows.")
    follows: str
    does_not_follow: str


class RangeStudyAnswer(Answer):
    """Is the bottom of a wrench's range less reliable than the top? What the shop's checks say."""

    as_of: UtcInstant | None = Field(description="The instant asked about; null: none was.")
    day: date = Field(description="The shop's date that the trusted windows are of.")
    method: MethodAnswer
    policy_version: int = Field(description="Version of the policy that the answer follows.")
    in_words: str = Field(
        description="Question, answer, where trust begins, what follows; `finding` has more."
    )
    finding: FindingAnswer
    claims: tuple[ClaimAnswer, ...]
    rule: RuleAnswer
    asked_with: StudyRulesAnswer
    mechanisms: tuple[MechanismAnswer, ...]
    trusted_windows: tuple[TrustedWindowAnswer, ...] = Field(
        description="By serial; wrenches without a reading or a stated tolerance that way have"
        " none."
    )
    cautions: tuple[str, ...] = (*cautions.ALWAYS, cautions.OF_THIS_SHOP)

    @classmethod
    def of(cls, study: RangeStudy, **common: Any) -> Self:
        """common  the members that do not come from the study"""
        told = finding(study)
        return cls(
            in_words=told.in_words,
            finding=FindingAnswer.model_validate(told),
            claims=tuple(ClaimAnswer.of(claim) for claim in study.claims),
            rule=RuleAnswer.stated(),
            asked_with=StudyRulesAnswer.of(study.rules),
            mechanisms=tuple(MechanismAnswer.of(each, study.rules) for each in study.mechanisms),
            **common,
        )
