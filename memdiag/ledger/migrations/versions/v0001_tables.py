"""The tables: tickets' entries, their runs and findings, heat, outcomes, profiles."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "profile",
        sa.Column("sha256", sa.Text, primary_key=True),
        sa.Column("name", sa.Text),
        sa.Column("text", sa.Text, nullable=False),
    )
    op.create_table(
        "entry",
        *_filed(),
        sa.Column("filed", sa.Text),
        sa.Column("tool", sa.Text),
        sa.Column("damaged", sa.Text),
        sa.UniqueConstraint("ticket", "sha256", name="uq_entry"),
    )
    op.create_table(
        "run",
        sa.Column("id", sa.Integer, primary_key=True),
        _of("entry"),
        sa.Column("position", sa.Integer, nullable=False),
        *_texts("at run serial board stage memory rig removed replaced reflowed swapped"),
        *_texts("cause site action"),
        sa.Column("probability", sa.Float),
        sa.Column("place", sa.Text),
        sa.Column("place_probability", sa.Float),
        sa.Column("released", sa.Boolean),
        sa.Column("complete", sa.Boolean),
        sa.Column("lost", sa.Integer),
        sa.Column("says", sa.Text),
        sa.Column("profile", sa.Text, sa.ForeignKey("profile.sha256", name="fk_run_profile")),
        sa.UniqueConstraint("entry_id", "position", name="uq_run"),
    )
    op.create_index("ix_run_serial", "run", ["serial"])
    op.create_index("ix_run_board", "run", ["board"])
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer, primary_key=True),
        _of("run"),
        sa.Column("number", sa.Integer, nullable=False),
        *_texts("site channel"),
        sa.Column("rank", sa.Integer),
        sa.Column("lane", sa.Integer),
        *_texts("dq rail partition one_of cause"),
        sa.Column("probability", sa.Float),
        sa.Column("place_probability", sa.Float),
        *_texts("action because_of"),
        sa.Column("expected", sa.Boolean),
        sa.UniqueConstraint("run_id", "number", name="uq_finding"),
    )
    op.create_index("ix_finding_site", "finding", ["site"])
    op.create_table(
        "heating",
        sa.Column("id", sa.Integer, primary_key=True),
        _of("run"),
        sa.Column("number", sa.Integer, nullable=False),
        *_texts("action worked_at site", nullable=False),
        sa.Column("own", sa.Boolean, nullable=False),
        sa.Column("cycles", sa.Integer, nullable=False),
        sa.Column("total", sa.Integer, nullable=False),
        sa.Column("gap_mm", sa.Float),
        sa.UniqueConstraint("run_id", "number", name="uq_heating"),
    )
    op.create_table(
        "outcome",
        *_filed(),
        *_texts("at site rail"),
        sa.Column("was", sa.Text, nullable=False),
        sa.Column("kind", sa.Text),
        *_texts("cured proof", nullable=False),
        sa.Column("probability", sa.Float),
        *_texts("note against"),
        sa.UniqueConstraint("ticket", "sha256", name="uq_outcome"),
    )


def _texts(names: str, *, nullable: bool = True) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=nullable) for name in names.split()]


def _filed() -> list[sa.Column[str] | sa.Column[int]]:
    return [
        sa.Column("id", sa.Integer, primary_key=True),
        *_texts("ticket sha256", nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        *_texts("folder root bench", nullable=False),
    ]


def _of(table: str) -> sa.Column[int]:
    key = sa.ForeignKey(f"{table}.id", ondelete="CASCADE")
    return sa.Column(f"{table}_id", sa.Integer, key, nullable=False)
