"""The tables of the store, as SQLAlchemy Core sees them; the same on SQLite and PostgreSQL.

They hold what lists, histories and comparisons ask for, and nothing else: the folders are the record. Runs belong to a
home (one bench's folder of runs), so that several benches share one server without meeting; what a shop knows once
(jobs, instruments) has no home. Times are UTC as ISO 8601 text, estimates in the unit beside them, angles as their
measurand's id says. How an older database comes to this state is written in migrations/; tests/records/test_database.py
holds the two together.
"""

from __future__ import annotations

from sqlalchemy import Boolean, Column, Index, Integer, MetaData, Table

from rig.records.index.columns import keys, numbers, texts

METADATA = MetaData()


MARKS = Table("marks", METADATA, *keys("home", "name"), *texts("value"))  # how far a home's folders have been read

# ---- a run and its results ----------------------------------------------------------------------------------
RUNS = Table(
    "runs",
    METADATA,
    *keys("home", "run"),
    *texts("sequence", "part", "revision", "part_digest", "holder", "serial", "job", "customer", "condition"),
    *texts("operator", "rotor", "clamping", "bench", "software", "started_utc", "ended_utc", "ended", "outcome"),
    *texts("retest_of", "note", "stamp", "awaits"),
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
    *keys("home", "run"),
    Column("line", Integer, primary_key=True),
    *texts("part", "serial", "measurand", "unit", "qualifier", "verdict"),
    *numbers("estimate", "U", "k", "lower", "upper"),
    Index("results_by_part", "part", "run"),
    Index("results_by_measurand", "part", "measurand", "run"),
)
OF_A_RUN = (RUNS, RESULTS)

# ---- what runs were made with -------------------------------------------------------------------------------
INSTRUMENTS = Table("instruments", METADATA, *keys("instrument"), *texts("role", "identity", "asset"))
CALIBRATIONS = Table("calibrations", METADATA, *keys("instrument", "calibrated", "certificate"), *texts("due"))
SHARED = (INSTRUMENTS, CALIBRATIONS)

# ---- the shop's book: jobs and units in and out of the house ------------------------------------------------
ENTRIES = Table("entries", METADATA, *keys("home", "entry"), *texts("kind", "made_utc"))
JOBS = Table("jobs", METADATA, *keys("job"), *texts("customer", "reference", "opened_utc", "decision", "remark"))
INTAKES = Table(
    "intakes",
    METADATA,
    *keys("entry"),
    *texts("job", "part", "serial", "received_utc", "condition", "complaint", "fault_codes", "rotor", "tag"),
    *texts("received_by", "remark"),
    Index("intakes_by_serial", "serial"),
    Index("intakes_by_job", "job"),
)
RETURNS = Table(
    "returns",
    METADATA,
    *keys("entry"),
    *texts("job", "part", "serial", "returned_utc", "handed_to", "remark"),
    Index("returns_by_serial", "serial"),
    Index("returns_by_job", "job"),
)
OF_A_KIND = {"job": JOBS, "intake": INTAKES, "return": RETURNS}  # kind of a book entry -> its table
