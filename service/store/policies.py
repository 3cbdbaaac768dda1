"""The policy of one shop, every version of it kept."""

import dataclasses
from datetime import date, datetime
from typing import Any, Final

from sqlalchemy import bindparam, insert, select

from analysis.vocabulary import DecisionRule
from service.records import Policy
from service.store import ledger_content as content
from service.store.errors import StaleVersion
from service.store.ledger import EntryKind, Ledger
from service.store.scope import Scope
from service.store.tables import PolicyRow

_IN_FORCE: Final = (
    select(PolicyRow.version, PolicyRow.document)
    .where(PolicyRow.shop_id == bindparam("shop_id"))
    .order_by(PolicyRow.version.desc())
    .limit(1)
)
_FOUND: Final = ("policy", "in force")


class Policies:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def get(self) -> Policy:
        """The policy in force: the defaults, version 1, in a shop that never set one."""
        found: Policy | None = self._scope.found.get(_FOUND)
        if found is None:
            row = self._scope.connection.execute(
                _IN_FORCE, {"shop_id": self._scope.shop_id}
            ).one_or_none()
            found = Policy() if row is None else _record(row.version, row.document)
            self._scope.found[_FOUND] = found
        return found

    def put(self, policy: Policy, expected_version: int, *, at: datetime) -> Policy:
        """The policy with its next version, in force from now on.

        Raises StaleVersion when the policy in force is not at `expected_version` any more.
        """
        current = self.get()
        if current.version != expected_version:
            raise StaleVersion("policy", "policy", current.version)
        changed = dataclasses.replace(policy, version=expected_version + 1)
        document = dataclasses.asdict(changed)
        del document["version"]
        document["closed_dates"] = [day.isoformat() for day in changed.closed_dates]
        row = {
            "shop_id": self._scope.shop_id,
            "version": changed.version,
            "document": document,
            "recorded_at": at,
        }
        self._scope.connection.execute(insert(PolicyRow), [row])
        self._scope.found.pop(_FOUND, None)
        Ledger(self._scope).append(EntryKind.POLICY, [(str(changed.version), content.policy(row))])
        return changed


def _record(version: int, document: dict[str, Any]) -> Policy:
    fields = dict(document)
    fields["decision_rule"] = DecisionRule(fields["decision_rule"])
    fields["plan_targets"] = tuple(fields["plan_targets"])
    fields["closed_weekdays"] = tuple(fields["closed_weekdays"])
    # Documents of before this field have none.
    fields["closed_dates"] = tuple(map(date.fromisoformat, fields.get("closed_dates", ())))
    return Policy(**fields, version=version)
