"""The tables of the store, as SQLAlchemy Core sees them; the same on SQLite and PostgreSQL.

They hold what lists, histories and comparisons ask for. Runs belong to a home (one bench's folder of runs), so that
several benches share one server without meeting; what a shop knows once (parts, jobs, instruments) has no home.
Times are UTC as ISO 8601 text, estimates in the unit beside them, angles as their measurand's id says. How an older
database comes to this state is written in migrations/; `tests/records/test_migrations.py` holds the two together.
"""

from __future__ import annotations

from sqlalchemy import Boolean, Column, Float, Index, Integer, MetaData, String, Table

METADATA = MetaData()


def _texts(*names: str) -> list[Column[str]]:
    return [Column(name, String, nullable=False, server_default="") for name in names]


def _keys(*names: str) -> list[Column[str]]:
    return [Column(name, String, primary_key=True) for name in names]


def _numbers(*names: str) -> list[Column[float]]:
    return [Column(name, Float) for name in names]


MARKS = Table("marks", METADATA, *_keys("home", "name"), *_texts("value"))  # how far a home's folders have been read

# ---- a run and what was made of it --------------------------------------------------------------------------
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
EVALUATIONS = Table(
    "evaluations",
    METADATA,
    *_keys("home", "run"),
    Column("n", Integer, primary_key=True),
    *_texts("file", "made_utc", "software", "campaign", "part_digest", "outcome"),
)
RESULTS = Table(
    "results",
    METADATA,
    *_keys("home", "run"),
    Column("line", Integer, primary_key=True),
    *_texts("part", "serial", "measurand", "unit", "qualifier", "verdict"),
    *_numbers("estimate", "U", "k", "lower", "upper"),
    Index("results_by_part", "part", "run"),
    Index("results_by_measurand", "part", "measurand", "run"),
)
FINDINGS = Table(
    "findings",
    METADATA,
    *_keys("home", "run"),
    Column("line", Integer, primary_key=True),
    *_texts("kind", "code", "evidence"),
    *_numbers("probability"),
)
READINGS = Table(
    "readings",
    METADATA,
    *_keys("home", "run", "step", "quantity", "unit"),
    *(Column(name, Integer, nullable=False) for name in ("n", "overloads", "captures")),
    *_numbers("lowest", "highest", "mean"),
)
CERTIFICATES = Table(
    "certificates",
    METADATA,
    *_keys("home", "run", "file"),
    *_texts("sha256", "written_utc", "number", "issue", "replaces"),
)
REMARKS = Table(
    "remarks",
    METADATA,
    *_keys("home", "run", "file"),
    *_texts("made_utc", "author", "step", "text", "photo", "sha256"),
)
OF_A_RUN = (RUNS, EVALUATIONS, RESULTS, FINDINGS, READINGS, CERTIFICATES, REMARKS)

# ---- what runs were made with -------------------------------------------------------------------------------
PARTS = Table("parts", METADATA, *_keys("number", "digest"), *_texts("revision", "title", "since_utc", "data"))
LIMITS = Table(
    "limits",
    METADATA,
    *_keys("number", "digest", "measurand"),
    *_numbers("lower", "upper"),
    *_texts("origin", "note"),
    Column("required", Boolean, nullable=False),
)
HOLDERS = Table("holders", METADATA, *_keys("name", "digest"), *_texts("since_utc", "data"))
INSTRUMENTS = Table("instruments", METADATA, *_keys("instrument"), *_texts("role", "identity", "asset", "since_utc"))
CALIBRATIONS = Table(
    "calibrations",
    METADATA,
    *_keys("instrument", "calibrated", "certificate"),
    *_texts("due", "issuer", "since_utc"),
)

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
CHECK_STANDARDS = Table(
    "check_standards",
    METADATA,
    *_keys("entry"),
    *_texts("part", "serial", "measurand", "unit", "since_utc", "certificate", "remark"),
    *_numbers("estimate", "U"),
    Index("check_standards_by_unit", "serial", "part"),
)
LIBRARY = Table(
    "library",
    METADATA,
    *_keys("entry"),
    *_texts("part", "serial", "kind", "how", "who", "why", "rotor", "at_utc", "runs"),
    Column("n", Integer, nullable=False),
    Column("version", Integer),
    Column("units", Integer),
    Column("simulated", Boolean, nullable=False),
    *_numbers("coverage", "confidence", "rejected"),
    Index("library_by_part", "part", "n"),
)
OF_THE_BOOK = (JOBS, INTAKES, RETURNS, CHECK_STANDARDS, LIBRARY)
