"""Records and certificates, as promised (issue 6): python tests/shows/records.py [--quick] [--only WORD]

Each part in records_parts/ offers `checks(quick) -> [(name, check)]`; a check is a generator of (fine, figures) and its
docstring is the line that was promised. Exit status 1 when one falls short.
"""

from __future__ import annotations

from runner import run_parts

if __name__ == "__main__":
    raise SystemExit(run_parts("records"))
