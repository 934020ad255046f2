"""The tables of the index. The migrations make them; a test holds the two to each other.

Names of tables are singular; the plural ones are views, which are what people read (their columns
are told in `model.ledger`). Times are texts in UTC that sort by time, so that every SQL browser
shows them alike. Everything here can be made anew from the folders.
"""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy import Boolean, Column, Float, ForeignKey, Index, Integer, Text, UniqueConstraint

REVISION = "0002"
"""The revision of the migrations that these tables are of."""

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _parent(table: str) -> ForeignKey:
    return ForeignKey(f"{table}.id", ondelete="CASCADE")


def _filed() -> list[Column[str] | Column[int]]:
    """What every folder of a ticket says of itself. `root` is the folder of tickets and `bench`
    the computer that saw it there first."""
    return [
        Column("id", Integer, primary_key=True),
        Column("ticket", Text, nullable=False),
        Column("sha256", Text, nullable=False),
        Column("number", Integer, nullable=False),
        Column("folder", Text, nullable=False),
        Column("root", Text, nullable=False),
        Column("bench", Text, nullable=False),
    ]


profile = sa.Table(
    "profile",
    metadata,
    Column("sha256", Text, primary_key=True),
    Column("name", Text),
    Column("text", Text, nullable=False),
)

entry = sa.Table(
    "entry",
    metadata,
    *_filed(),
    Column("filed", Text),
    Column("tool", Text),
    Column("damaged", Text),
    UniqueConstraint("ticket", "sha256"),
)

run = sa.Table(
    "run",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("entry_id", Integer, _parent("entry"), nullable=False),
    Column("position", Integer, nullable=False),
    Column("at", Text),
    Column("run", Text),
    Column("serial", Text),
    Column("board", Text),
    Column("stage", Text),
    Column("memory", Text),
    Column("rig", Text),
    Column("removed", Text),
    Column("replaced", Text),
    Column("reflowed", Text),
    Column("swapped", Text),
    Column("cause", Text),
    Column("site", Text),
    Column("action", Text),
    Column("probability", Float),
    Column("place", Text),
    Column("place_probability", Float),
    Column("released", Boolean),
    Column("complete", Boolean),
    Column("lost", Integer),
    Column("says", Text),
    Column("profile", Text, ForeignKey("profile.sha256")),
    UniqueConstraint("entry_id", "position"),
)
Index("ix_run_serial", run.c.serial)
Index("ix_run_board", run.c.board)

finding = sa.Table(
    "finding",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", Integer, _parent("run"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("site", Text),
    Column("channel", Text),
    Column("rank", Integer),
    Column("lane", Integer),
    Column("dq", Text),
    Column("rail", Text),
    Column("partition", Text),
    Column("one_of", Text),
    Column("cause", Text),
    Column("probability", Float),
    Column("place_probability", Float),
    Column("action", Text),
    Column("because_of", Text),
    Column("expected", Boolean),
    UniqueConstraint("run_id", "number"),
)
Index("ix_finding_site", finding.c.site)

heating = sa.Table(
    "heating",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", Integer, _parent("run"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("action", Text, nullable=False),
    Column("worked_at", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("own", Boolean, nullable=False),
    Column("cycles", Integer, nullable=False),
    Column("total", Integer, nullable=False),
    Column("gap_mm", Float),
    UniqueConstraint("run_id", "number"),
)

outcome = sa.Table(
    "outcome",
    metadata,
    *_filed(),
    Column("at", Text),
    Column("site", Text),
    Column("rail", Text),
    Column("was", Text, nullable=False),
    Column("kind", Text),
    Column("cured", Text, nullable=False),
    Column("proof", Text, nullable=False),
    Column("probability", Float),
    Column("note", Text),
    Column("against", Text),
    UniqueConstraint("ticket", "sha256"),
)
