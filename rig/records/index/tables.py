"""The tables of the store, as SQLAlchemy Core sees them; the same on SQLite and PostgreSQL.

They hold what lists, histories and comparisons ask for, and nothing else: the folders are the record. Runs belong to a
home (one bench's folder of runs), so that several benches share one server without meeting; what a shop knows once
(jobs, instruments) has no home. Times are UTC as ISO 8601 text, estimates in the unit beside them, angles as their
measurand's id says. How an older database comes to this state is written in migrations/; tests/records/test_database.py
holds the two together.
"""

from __future__ import annotations

from sqlalchemy import Boolean, Column, Float, Index, Integer, MetaData, String, Table

METADATA = MetaData()


def _texts(*names: str) -> list[Column[str]]:
    return [Column(name, String, nullable=False, server_default="") for name in names]


def _keys(*names: str) -> list[Column[str]]:
    return [Column(name, String, primary_key=True) for name in names]


MARKS = Table("marks", METADATA, *_keys("home", "name"), *_texts("value"))  # how far a home's folders have been read

# ---- a run and its results ----------------------------------------------------------------------------------
RUNS = Table(
    "runs",
    METADATA,
    *_keys("home", "run"),
    *_texts("sequence", "part", "revision", "part_digest", "holder", "serial", "job", "customer", "condition"),
    *_texts("operator", "rotor", "clamping", "bench", "software", "started_utc", "ended_utc", "ended", "outcome"),
    *_texts("retest_of", "note", "stamp"),
    Column("simulated", Boolean, nullable=False),
    Column("closed", Boolean, nullable=False),
    Index("runs_by_unit", "serial", "part", "run"),
    Index("runs_by_part", "part", "run"),
    Index("runs_by_job", "job", "run"),
    Index("runs_open", "home", "closed"),
)
RESULTS = Table(
    "results",
    METADATA,
    *_keys("home", "run"),
    Column("line", Integer, primary_key=True),
    *_texts("part", "serial", "measurand", "unit", "qualifier", "verdict"),
    *(Column(name, Float) for name in ("estimate", "U", "k", "lower", "upper")),
    Index("results_by_part", "part", "run"),
    Index("results_by_measurand", "part", "measurand", "run"),
)
OF_A_RUN = (RUNS, RESULTS)

# ---- what runs were made with -------------------------------------------------------------------------------
INSTRUMENTS = Table("instruments", METADATA, *_keys("instrument"), *_texts("role", "identity", "asset"))
CALIBRATIONS = Table("calibrations", METADATA, *_keys("instrument", "calibrated", "certificate"), *_texts("due"))
SHARED = (INSTRUMENTS, CALIBRATIONS)

# ---- the shop's book: jobs and units in and out of the house ------------------------------------------------
ENTRIES = Table("entries", METADATA, *_keys("home", "entry"), *_texts("kind", "made_utc"))
JOBS = Table("jobs", METADATA, *_keys("job"), *_texts("customer", "reference", "opened_utc", "decision", "remark"))
INTAKES = Table(
    "intakes",
    METADATA,
    *_keys("entry"),
    *_texts("job", "part", "serial", "received_utc", "condition", "complaint", "fault_codes", "rotor", "tag"),
    *_texts("received_by", "remark"),
    Index("intakes_by_serial", "serial"),
    Index("intakes_by_job", "job"),
)
RETURNS = Table(
    "returns",
    METADATA,
    *_keys("entry"),
    *_texts("job", "part", "serial", "returned_utc", "handed_to", "remark"),
    Index("returns_by_serial", "serial"),
    Index("returns_by_job", "job"),
)
OF_A_KIND = {"job": JOBS, "intake": INTAKES, "return": RETURNS}  # kind of a book entry -> its table
