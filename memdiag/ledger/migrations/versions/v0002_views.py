"""The views that people read. They are plain SQL, alike on SQLite and PostgreSQL."""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"

# Every run with its ticket, and its place among the ticket's runs by time. Where a run does not
# say when it was made, the time of filing stands for it.
_RUNS = """
SELECT e.ticket, r.serial, r.board, e.folder AS entry, r.position,
  COALESCE(r.at, e.filed) AS at, r.stage, r.run, r.memory, r.rig,
  r.removed, r.replaced, r.reflowed, r.swapped, r.cause, r.site, r.action, r.probability,
  r.place, r.place_probability, r.released, r.complete, r.lost, r.says, e.sha256, e.damaged
FROM run r JOIN entry e ON e.id = r.entry_id
"""

_OF_RUN = """
SELECT e.ticket, r.serial, r.board, e.folder AS entry, r.position,
  COALESCE(r.at, e.filed) AS at, r.stage, {columns}
FROM {table} x JOIN run r ON r.id = x.run_id JOIN entry e ON e.id = r.entry_id
"""

_FINDINGS = _OF_RUN.format(
    table="finding",
    columns="""x.number, x.site, x.channel, x.rank, x.lane, x.dq, x.rail, x.partition, x.one_of,
  x.cause, x.probability, x.place_probability, x.action, x.because_of, x.expected""",
)

_HEAT = _OF_RUN.format(
    table="heating", columns="x.action, x.worked_at, x.site, x.own, x.cycles, x.total, x.gap_mm"
)

_TICKETS = """
SELECT t.ticket,
  (SELECT MAX(s.serial) FROM runs s WHERE s.ticket = t.ticket) AS serial,
  (SELECT MAX(s.board) FROM runs s WHERE s.ticket = t.ticket) AS board,
  t.runs, t.first_at, t.last_at,
  l.stage, l.released, l.cause, l.site, l.action, l.probability,
  (SELECT COUNT(*) FROM outcome o WHERE o.ticket = t.ticket) AS outcomes
FROM (
  SELECT ticket, COUNT(*) AS runs, MIN(at) AS first_at, MAX(at) AS last_at
  FROM runs GROUP BY ticket
) t JOIN (
  SELECT runs.*,
    ROW_NUMBER() OVER (
      PARTITION BY ticket ORDER BY at DESC, entry DESC, position DESC
    ) AS latest
  FROM runs
) l ON l.ticket = t.ticket AND l.latest = 1
"""

_OUTCOMES = """
SELECT o.ticket, o.folder AS entry, o.at, o.site, o.rail, o.was, o.kind, o.cured, o.proof,
  o.probability, o.note, o.against
FROM outcome o
"""


def upgrade() -> None:
    for name, query in (
        ("runs", _RUNS),
        ("findings", _FINDINGS),
        ("heat", _HEAT),
        ("tickets", _TICKETS),
        ("outcomes", _OUTCOMES),
    ):
        op.execute(f"CREATE VIEW {name} AS {query}")
