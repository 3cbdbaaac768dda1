"""Triggers that keep what was recorded as it was, in the words of either database.

SQLite tells each trigger what to compare. On PostgreSQL one function compares all columns of a row,
so that a column added later is bound without a new trigger.
"""

from collections.abc import Sequence
from textwrap import dedent

from alembic import op


def refuse_edits(*tables: str) -> None:
    """Rows stay as they are."""
    for table in tables:
        _refuse(table, "UPDATE", f"{table}_are_never_edited", f"{table} are never edited")


def refuse_deletes(*tables: str) -> None:
    """Rows stay, one by one and all at once."""
    for table in tables:
        name, message = f"{table}_are_never_deleted", f"{table} are never deleted"
        _refuse(table, "DELETE", name, message)
        if not _on_sqlite():
            op.execute(
                f"CREATE TRIGGER {table}_are_never_emptied BEFORE TRUNCATE ON {table} "
                f"FOR EACH STATEMENT EXECUTE FUNCTION wrench_drift_refuse('{message}')"
            )


def refuse_additions(*parts: str, whole: str) -> None:
    """Points and readings come before their check, and none comes after it."""
    for part in parts:
        there = f"SELECT 1 FROM {whole} WHERE shop_id = NEW.shop_id AND number = NEW.check_number"  # noqa: S608 - names of this schema
        name, message = f"{part}_are_complete", f"a stored check takes no more {part}"
        if _on_sqlite():
            op.execute(
                f"CREATE TRIGGER {name} BEFORE INSERT ON {part} WHEN EXISTS ({there}) "
                f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
            )
        else:
            refusal = _RAISE.format(f"'{message}'")
            _function(name, f"IF EXISTS ({there}) THEN {refusal} END IF;")
            op.execute(
                f"CREATE TRIGGER {name} BEFORE INSERT ON {part} "
                f"FOR EACH ROW EXECUTE FUNCTION {name}()"
            )


def allow_only_voiding(table: str, message: str, columns: Sequence[str]) -> None:
    """A row is voided once, with nothing else touched.

    columns   of the table but `voided_at` and `void_reason`, as they are at this revision
    """
    name = f"{table}_are_only_voided"
    if _on_sqlite():
        op.execute(f"DROP TRIGGER IF EXISTS {name}")
        changed = "".join(f" OR NEW.{column} IS NOT OLD.{column}" for column in columns)
        op.execute(
            f"CREATE TRIGGER {name} BEFORE UPDATE ON {table} "
            f"WHEN OLD.voided_at IS NOT NULL OR NEW.voided_at IS NULL{changed} "
            f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
        )
        return
    _function("wrench_drift_only_void", _ONLY_VOID)
    op.execute(
        f"CREATE OR REPLACE TRIGGER {name} BEFORE UPDATE ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION wrench_drift_only_void('{message}')"
    )


def refuse_edits_of(table: str, columns: Sequence[str], *, given_once: Sequence[str]) -> None:
    """These columns stay as they are, and a column given once stays from then on."""
    name, message = f"{table}_are_never_edited", f"{table} are never edited"
    differs = "IS NOT" if _on_sqlite() else "IS DISTINCT FROM"
    edited = " OR ".join(
        [
            *(f"NEW.{column} {differs} OLD.{column}" for column in columns),
            *(
                f"(OLD.{column} IS NOT NULL AND NEW.{column} {differs} OLD.{column})"
                for column in given_once
            ),
        ]
    )
    if _on_sqlite():
        op.execute(
            f"CREATE TRIGGER {name} BEFORE UPDATE ON {table} WHEN {edited} "
            f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
        )
        return
    refusal = _RAISE.format(f"'{message}'")
    _function(name, f"IF {edited} THEN {refusal} END IF;")
    op.execute(
        f"CREATE TRIGGER {name} BEFORE UPDATE ON {table} FOR EACH ROW EXECUTE FUNCTION {name}()"
    )


def _refuse(table: str, event: str, name: str, message: str) -> None:
    if _on_sqlite():
        op.execute(
            f"CREATE TRIGGER {name} BEFORE {event} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
        )
        return
    _function("wrench_drift_refuse", _RAISE.format("TG_ARGV[0]"))
    op.execute(
        f"CREATE TRIGGER {name} BEFORE {event} ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION wrench_drift_refuse('{message}')"
    )


_RAISE = "RAISE EXCEPTION '%', {} USING ERRCODE = 'integrity_constraint_violation';"

_ONLY_VOID = f"""
    IF OLD.voided_at IS NOT NULL OR NEW.voided_at IS NULL
        OR to_jsonb(OLD) - ARRAY['voided_at', 'void_reason']
            IS DISTINCT FROM to_jsonb(NEW) - ARRAY['voided_at', 'void_reason']
    THEN {_RAISE.format("TG_ARGV[0]")} END IF;
"""


def _function(name: str, body: str) -> None:
    op.execute(
        dedent(f"""
        CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN {body} RETURN NEW; END $$
        """)
    )


def _on_sqlite() -> bool:
    return op.get_bind().dialect.name == "sqlite"
