"""The heads of audit logs, noted elsewhere than in the logs."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "andante_audit_heads",
        sa.Column("server", sa.String(500), primary_key=True),
        sa.Column("chain", sa.String(64), primary_key=True),
        sa.Column("head", sa.String(64), nullable=False),
        sa.Column("noted", sa.String(40), nullable=False),
    )


def downgrade() -> None:
    op.drop_table("andante_audit_heads")
