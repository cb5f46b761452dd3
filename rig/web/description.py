"""`python -m rig.web.description`: the description of the HTTP interface (OpenAPI), written to rig/web/openapi.json."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from rig.web.app import create_app
from rig.web.panel import Panel

FILE = Path(__file__).parent / "openapi.json"


def main() -> None:
    """Write it anew."""
    with tempfile.TemporaryDirectory() as folder:
        document = create_app(Panel(home=Path(folder), bench="simulated")).openapi()
    FILE.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
