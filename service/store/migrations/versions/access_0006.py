"""Access tokens with the sign-ins that rest on them, and who came by which token in the trail."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

INSTANT = sa.BigInteger  # microseconds since 1970-01-01 UTC


def upgrade() -> None:
    op.create_table(
        "access_tokens",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("number", sa.BigInteger, autoincrement=False, nullable=False),
        sa.Column("id", sa.String, nullable=False),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("scope", sa.String, nullable=False),
        sa.Column("digest", sa.String, nullable=False),
        sa.Column("made_at", INSTANT, nullable=False),
        sa.Column("made_by", sa.String),
        sa.Column("expires_at", INSTANT, nullable=False),
        sa.Column("revoked_at", INSTANT),
        sa.Column("last_used_at", INSTANT),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_access_tokens_shops"),
        sa.PrimaryKeyConstraint("shop_id", "number", name="pk_access_tokens"),
        sa.UniqueConstraint("id", name="uq_access_tokens_id"),
        sa.UniqueConstraint("shop_id", "id", name="uq_access_tokens_shop_id_id"),
    )
    op.create_table(
        "sign_ins",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("id", sa.String, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("token_id", sa.String, nullable=False),
        sa.Column("digest", sa.String, nullable=False),
        sa.Column("made_at", INSTANT, nullable=False),
        sa.Column("expires_at", INSTANT, nullable=False),
        sa.Column("ended_at", INSTANT),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_sign_ins_shops"),
        sa.ForeignKeyConstraint(
            ["shop_id", "token_id"],
            ["access_tokens.shop_id", "access_tokens.id"],
            name="fk_sign_ins_access_tokens",
        ),
        sa.PrimaryKeyConstraint("shop_id", "id", name="pk_sign_ins"),
        sa.UniqueConstraint("id", name="uq_sign_ins_id"),
    )
    op.create_index("ix_sign_ins_expires_at", "sign_ins", ["shop_id", "expires_at"])
    op.execute(
        "CREATE TRIGGER access_tokens_are_never_edited BEFORE UPDATE ON access_tokens WHEN "
        "NEW.shop_id IS NOT OLD.shop_id OR NEW.number IS NOT OLD.number OR NEW.id IS NOT OLD.id "
        "OR NEW.name IS NOT OLD.name OR NEW.scope IS NOT OLD.scope "
        "OR NEW.digest IS NOT OLD.digest OR NEW.made_at IS NOT OLD.made_at "
        "OR NEW.made_by IS NOT OLD.made_by OR NEW.expires_at IS NOT OLD.expires_at "
        "OR (OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS NOT OLD.revoked_at) "
        "BEGIN SELECT RAISE(ABORT, 'access_tokens are never edited'); END"
    )
    op.execute(
        "CREATE TRIGGER access_tokens_are_never_deleted BEFORE DELETE ON access_tokens "
        "BEGIN SELECT RAISE(ABORT, 'access_tokens are never deleted'); END"
    )
    for name in ("token_id", "token_name", "address"):
        op.add_column("wrench_events", sa.Column(name, sa.String))
