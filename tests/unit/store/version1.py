"""A store as version 1 of the schema had it, written out: the models have gone on since."""

from __future__ import annotations

from sqlalchemy import Connection

TABLES = """
CREATE TABLE harness_schema (version INTEGER NOT NULL, PRIMARY KEY (version));
CREATE TABLE runs (run_id TEXT NOT NULL, started {moment} NOT NULL, finished {moment},
  tool_version TEXT NOT NULL, shuttle TEXT NOT NULL, organisation TEXT NOT NULL,
  shuttle_file TEXT NOT NULL, shuttle_sha256 TEXT NOT NULL, profile TEXT NOT NULL,
  profile_file TEXT NOT NULL, profile_sha256 TEXT NOT NULL, rack TEXT NOT NULL,
  rack_file TEXT NOT NULL, rack_sha256 TEXT NOT NULL, cancelled BOOLEAN NOT NULL,
  PRIMARY KEY (run_id));
CREATE INDEX ix_runs_started ON runs (started);
CREATE TABLE chips (run_id TEXT NOT NULL, slot TEXT NOT NULL, position INTEGER NOT NULL,
  chip_serial TEXT NOT NULL, board_serial TEXT NOT NULL, port TEXT NOT NULL,
  "virtual" BOOLEAN NOT NULL, agent_version TEXT NOT NULL, interpreter TEXT NOT NULL,
  backend TEXT NOT NULL, exact BOOLEAN NOT NULL, trouble TEXT NOT NULL,
  PRIMARY KEY (run_id, slot), FOREIGN KEY(run_id) REFERENCES runs (run_id));
CREATE INDEX ix_chips_board_serial ON chips (board_serial);
CREATE INDEX ix_chips_chip_serial ON chips (chip_serial);
CREATE TABLE outcomes (number {serial} NOT NULL, run_id TEXT NOT NULL, slot TEXT NOT NULL,
  chip_serial TEXT NOT NULL, design TEXT NOT NULL, table_name TEXT NOT NULL,
  table_sha256 TEXT NOT NULL, verdict TEXT NOT NULL, origin TEXT NOT NULL,
  mismatches INTEGER NOT NULL, started {moment} NOT NULL, seconds {double} NOT NULL,
  body JSON NOT NULL, PRIMARY KEY (number), UNIQUE (run_id, slot, design, table_name),
  FOREIGN KEY(run_id, slot) REFERENCES chips (run_id, slot));
CREATE INDEX ix_outcomes_chip_serial ON outcomes (chip_serial);
CREATE INDEX ix_outcomes_design ON outcomes (design);
CREATE INDEX ix_outcomes_run_id ON outcomes (run_id);
CREATE INDEX ix_outcomes_verdict ON outcomes (verdict);
INSERT INTO harness_schema VALUES (1);
INSERT INTO runs VALUES ('old', '2026-05-01 12:00:00', '2026-05-01 12:01:00', '0.1', 'Pocket',
  'Low Tide Silicon Club', 'shuttle.toml', 'ab', 'Wader', 'wader.toml', 'cd', 'bench', '', '',
  {false});
INSERT INTO chips VALUES ('old', 'A1', 0, 'PK-01', 'WB-01', 'virtual', {true}, '1', 'none',
  'virtual', {true}, '');
"""

WORDS = {
    "sqlite": {
        "moment": "DATETIME",
        "serial": "INTEGER",
        "double": "DOUBLE",
        "true": "1",
        "false": "0",
    },
    "postgresql": {
        "moment": "TIMESTAMP WITH TIME ZONE",
        "serial": "SERIAL",
        "double": "DOUBLE PRECISION",
        "true": "true",
        "false": "false",
    },
}


def make_version1(connection: Connection) -> None:
    """Make the tables of version 1 with one run in them."""
    for statement in TABLES.format(**WORDS[connection.dialect.name]).split(";"):
        if statement.strip():
            connection.exec_driver_sql(statement)
    connection.commit()
