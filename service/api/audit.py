"""How far the chain over the shop's records reaches."""

from litestar import Controller, Response, get
from litestar.di import NamedDependency

from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse
from service.schemas.audit import AuditAnswer


class AuditController(Controller):
    path = "/v1/audit"
    tags = ["audit"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readAudit",
        summary="How far does the chain of records reach?",
        description=(
            "Every check, void, pull, change of a wrench, tester or policy and every line of the "
            "trail has an entry in a chain: the SHA-256 of what was stored, and the hash of the "
            "entry before. Note the head from time to time where nobody can change it, on paper "
            "or in a mail: `wrench-drift audit verify --since-head` then proves that nothing up "
            "to it was altered or taken away."
        ),
        sync_to_thread=True,
    )
    def read(self, shop: NamedDependency[Shop]) -> Response[AuditAnswer]:
        with shop.read() as records:
            head = records.ledger.head()
            before = records.ledger.entry(head.number - 1) if head else None
        return JsonResponse(AuditAnswer.of(head, before), headers=REVALIDATE)
