"""Access tokens with the sign-ins that rest on them, and who came by which token in the trail."""

import sqlalchemy as sa
from alembic import op

from service.store.migrations.immutability import refuse_deletes, refuse_edits_of

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
    refuse_edits_of("access_tokens", TOKEN_COLUMNS, given_once=("revoked_at",))
    refuse_deletes("access_tokens")
    for name in ("token_id", "token_name", "address"):
        op.add_column("wrench_events", sa.Column(name, sa.String))


TOKEN_COLUMNS = (
    "shop_id", "number", "id", "name", "scope", "digest", "made_at", "made_by", "expires_at",
)  # fmt: skip
