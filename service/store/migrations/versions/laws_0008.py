"""The laws of a shop's families, learnt once for every worker, and how often they were stored."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    op.add_column("shops", sa.Column("laws_version", sa.BigInteger))
    op.create_table(
        "laws",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("method", sa.String, nullable=False),
        sa.Column("evidence", sa.String, nullable=False),
        sa.Column("learnt_at", sa.BigInteger, nullable=False),  # microseconds since 1970-01-01 UTC
        sa.Column("content", sa.String, nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_laws_shops"),
        sa.PrimaryKeyConstraint("shop_id", "method", name="pk_laws"),
    )
