"""The shop's policy: one document, read and replaced whole."""

from litestar import Controller, Response, get, put
from litestar.di import NamedDependency
from litestar.params import JSONBody

from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse, not_modified
from service.api.conditional import expected_version, is_fresh, version_tag
from service.api.parameters import IfMatch, IfNoneMatch
from service.records import Policy
from service.schemas.policy import PolicyAnswer, PolicyInput


class PolicyController(Controller):
    path = "/v1/policy"
    tags = ["policy"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readPolicy",
        summary="Read the policy in force",
        description=(
            "The defaults hold until a policy is put: 12 months or 5,000 cycles as in ISO 6789-1, "
            "the rest common practice."
        ),
        sync_to_thread=True,
    )
    def read(
        self, shop: NamedDependency[Shop], if_none_match: IfNoneMatch = None
    ) -> Response[PolicyAnswer]:
        with shop.read() as records:
            policy = records.policy.get()
        tag = version_tag(policy.version)
        return not_modified(tag) if is_fresh(if_none_match, tag) else _answer(policy)

    @put(
        operation_id="replacePolicy",
        summary="Replace the policy",
        description="Every version is kept; answers given from now on follow the new one.",
        sync_to_thread=True,
    )
    def replace(
        self,
        shop: NamedDependency[Shop],
        data: JSONBody[PolicyInput],
        if_match: IfMatch = None,
    ) -> Response[PolicyAnswer]:
        with shop.write() as records:
            version = expected_version(if_match, records.policy.get().version)
            return _answer(records.policy.put(data.record(), version, at=shop.now()))


def _answer(policy: Policy) -> JsonResponse[PolicyAnswer]:
    return JsonResponse(
        PolicyAnswer.of(policy), headers={"ETag": version_tag(policy.version), **REVALIDATE}
    )
