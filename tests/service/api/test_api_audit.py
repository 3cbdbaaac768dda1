"""How far the chain reaches, as the API tells it."""

from sample_records import a_tester

from service.audit import verify
from service.schemas.audit import AuditAnswer
from service.store.ledger import Entry


def test_the_head_is_that_of_the_store(client, shops):
    with shops.store.read(shops.key) as records:
        found = verify(records)
    told = client.get("/v1/audit").json()
    assert told["head"]["hash"] == found.head.hash
    assert told["entries"] == found.entries == 2
    assert told["head_fits"] is True
    assert told["in_words"].startswith("The chain has 2 links; the last link fits")


def test_the_head_moves_on_with_what_is_recorded(client, shops):
    before = client.get("/v1/audit").json()
    with shops.store.write(shops.key) as records:
        records.testers.update(a_tester(certificate="C-26-014"), 1)
    after = client.get("/v1/audit").json()
    assert after["entries"] == before["entries"] + 1
    assert after["head"]["hash"] != before["head"]["hash"]


def test_an_empty_chain_says_so():
    told = AuditAnswer.of(None, None)
    assert (told.entries, told.head, told.in_words) == (0, None, "Nothing was recorded yet.")


def test_a_head_that_does_not_fit_is_told(client, shops):
    with shops.store.read(shops.key) as records:
        first, last = records.ledger.page(0, 2)
    forged = Entry(
        number=2, kind=last.kind, record=last.record, at=last.at, content=None,
        digest="00" * 32, previous=first.hash, hash=last.hash,
    )  # fmt: skip
    assert AuditAnswer.of(forged, first).head_fits is False
    assert AuditAnswer.of(last, None).head_fits is False
    assert AuditAnswer.of(last, first).head_fits is True
