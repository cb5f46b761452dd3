"""Any bench a shop owns, as promised (issue 11): python tests/shows/benches.py [--quick] [--only WORD]

Each part in benches_parts/ offers `checks(quick) -> [(name, check)]`; a check is a generator of (fine, figures) and its
docstring is the line that was promised. Exit status 1 when one falls short.
"""

from __future__ import annotations

from runner import run_parts

if __name__ == "__main__":
    raise SystemExit(run_parts("benches"))
