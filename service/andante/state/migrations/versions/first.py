"""Rounds completed, watermarks, patients who failed, Subscriptions of ours."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "andante_rounds",
        sa.Column("server", sa.String(500), primary_key=True),
        sa.Column("kind", sa.String(40), primary_key=True),
        sa.Column("ident", sa.String(40), nullable=False),
        sa.Column("began", sa.String(40), nullable=False),
        sa.Column("ended", sa.String(40), nullable=False),
        sa.Column("whole", sa.Boolean, nullable=False),
        sa.Column("counts", sa.Text, nullable=False),
    )
    op.create_table(
        "andante_watermarks",
        sa.Column("server", sa.String(500), primary_key=True),
        sa.Column("newest", sa.String(40), nullable=False),
        sa.Column("before", sa.String(40), nullable=False),
    )
    op.create_table(
        "andante_setbacks",
        sa.Column("server", sa.String(500), primary_key=True),
        sa.Column("patient", sa.String(64), primary_key=True),
        sa.Column("failures", sa.Integer, nullable=False),
        sa.Column("last", sa.String(40), nullable=False),
        sa.Column("again", sa.String(40), nullable=False),
    )
    op.create_table(
        "andante_hooks",
        sa.Column("server", sa.String(500), primary_key=True),
        sa.Column("name", sa.String(40), primary_key=True),
        sa.Column("ident", sa.String(64)),
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.Column("written", sa.String(40), nullable=False),
        sa.Column("failures", sa.Integer, nullable=False),
    )


def downgrade() -> None:
    for name in ("andante_hooks", "andante_setbacks", "andante_watermarks", "andante_rounds"):
        op.drop_table(name)
