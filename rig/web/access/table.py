"""Who may do what: one row a route of the panel, and one an event of its own socket. What is in no row is refused.

Roles: view < operate < approve; OPEN needs nobody (signing in, and what a page without content needs). No row arms or
resumes a bench: that is a hand at the bench (rig/control/arming). Held by tests/web/test_access.py for every route.
"""

from __future__ import annotations

from collections.abc import Mapping

OPEN, VIEW, OPERATE, APPROVE = "open", "view", "operate", "approve"
API = "/api/v1"

PAGES: Mapping[str, str] = {
    "/": VIEW,
    "/sign-in": OPEN,
    "/enter/{secret}": OPEN,
    "/bench": VIEW,
    "/clamp": VIEW,
    "/pins": VIEW,
    "/run": VIEW,
    "/units": VIEW,
    "/units/{run}": VIEW,
    "/units/{run}/report": VIEW,
    "/compare": VIEW,
    "/lots": VIEW,
    "/lots/{lot}": VIEW,
    "/lots/{lot}/sitting": VIEW,
    "/nights": VIEW,
    "/nights/{night}": VIEW,
    "/known": VIEW,
    "/known/{part}": VIEW,
    "/account": VIEW,
}
ROUTES: Mapping[tuple[str, str], str] = {
    **{("GET", path): role for path, role in PAGES.items()},
    ("WEBSOCKET", "/live"): VIEW,
    ("GET", f"{API}/openapi.json"): VIEW,
    ("GET", f"{API}/me"): VIEW,
    ("PATCH", f"{API}/me"): VIEW,
    ("POST", f"{API}/sessions"): OPEN,
    ("DELETE", f"{API}/sessions/current"): VIEW,
    ("GET", f"{API}/tokens"): VIEW,
    ("POST", f"{API}/tokens"): VIEW,
    ("DELETE", f"{API}/tokens/{{token}}"): VIEW,
    ("GET", f"{API}/audit"): APPROVE,
    ("GET", f"{API}/benches"): VIEW,
    ("GET", f"{API}/benches/{{bench}}"): VIEW,
    ("POST", f"{API}/benches/{{bench}}/look"): OPERATE,
    ("POST", f"{API}/benches/{{bench}}/stop"): OPERATE,
    ("GET", f"{API}/asks"): VIEW,
    ("POST", f"{API}/asks"): OPERATE,
    ("POST", f"{API}/watches"): OPERATE,
    ("GET", f"{API}/events"): VIEW,
    ("GET", f"{API}/runs"): VIEW,
    ("GET", f"{API}/runs/{{run}}"): VIEW,
    ("GET", f"{API}/runs/{{run}}/journal"): VIEW,
    ("GET", f"{API}/runs/{{run}}/raw"): VIEW,
    ("GET", f"{API}/runs/{{run}}/curves"): VIEW,
    ("POST", f"{API}/runs/{{run}}/remarks"): OPERATE,
    ("POST", f"{API}/runs/{{run}}/photos"): OPERATE,
    ("POST", f"{API}/runs/{{run}}/judgements"): OPERATE,
    ("POST", f"{API}/runs/{{run}}/suspects"): APPROVE,
    ("POST", f"{API}/runs/{{run}}/report"): APPROVE,
    ("GET", f"{API}/runs/{{run}}/report/{{face}}"): VIEW,
    ("GET", f"{API}/reports"): VIEW,
    ("GET", f"{API}/reports/{{number}}"): VIEW,
    ("POST", f"{API}/reports/{{number}}/withdrawal"): APPROVE,
    ("POST", f"{API}/reports/verify"): VIEW,
    ("GET", f"{API}/units/{{serial}}"): VIEW,
    ("GET", f"{API}/compare"): VIEW,
    ("GET", f"{API}/lots"): VIEW,
    ("GET", f"{API}/lots/{{lot}}"): VIEW,
    ("POST", f"{API}/lots/{{lot}}/decision"): APPROVE,
    ("POST", f"{API}/pins"): VIEW,
    ("POST", f"{API}/pins/drafts"): OPERATE,
    ("GET", f"{API}/charts"): VIEW,
    ("GET", f"{API}/charts/{{standard}}"): VIEW,
    ("GET", f"{API}/suspects"): VIEW,
    ("GET", f"{API}/nights"): VIEW,
    ("GET", f"{API}/nights/{{night}}"): VIEW,
    ("GET", f"{API}/lots/{{lot}}/sitting"): VIEW,
    ("POST", f"{API}/lots/{{lot}}/sitting"): OPERATE,
    ("DELETE", f"{API}/lots/{{lot}}/sitting"): OPERATE,
    ("POST", f"{API}/lots/{{lot}}/sitting/entries"): OPERATE,
    ("GET", f"{API}/known"): VIEW,
    ("GET", f"{API}/known/{{part}}"): VIEW,
    ("POST", f"{API}/known/{{part}}/units"): OPERATE,
    ("POST", f"{API}/known/{{part}}/versions"): APPROVE,
}
EVENTS: Mapping[str, str] = {  # what a page may send over its own socket
    "hello": VIEW,
    "stop": OPERATE,
    "hold": OPERATE,
    "mark": OPERATE,
    "advance": OPERATE,
}
