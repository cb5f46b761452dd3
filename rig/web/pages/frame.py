"""What every page has: head, language, theme, the bench line at its foot; templates rendered with everything escaped.

Words: English in the templates, the other languages in the reports' one table a language (certificate/words/texts).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.requests import Request
from starlette.responses import HTMLResponse

from rig.certificate.words.language import language
from rig.web.access.who import Who
from rig.web.language import language_of
from rig.web.panel import Panel
from rig.web.parts.bars import bar_picture
from rig.web.parts.marks import mark, tone

PAGES = (
    ("/bench", "Bench"),
    ("/clamp", "Clamp"),
    ("/run", "Run"),
    ("/units", "Units"),
    ("/lots", "Lots"),
    ("/nights", "Nights"),
    ("/known", "Known good"),
)
THEMES = ("light", "dark")


@cache
def _environment() -> Environment:
    folder = Path(__file__).parents[1] / "templates"
    made = Environment(
        loader=FileSystemLoader(folder),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals |= {"mark": mark, "tone": tone, "bar_picture": bar_picture}
    made.filters["day"] = day
    return made


def day(utc: str) -> str:
    """A UTC time as the local day and minute; "" for none."""
    try:
        return datetime.fromisoformat(utc).astimezone().strftime("%d %b %H:%M")
    except ValueError:
        return ""


def render(request: Request, template: str, page: str, status: int = 200, **content: Any) -> HTMLResponse:
    """A page. page: its label in PAGES, or a title of its own."""
    panel: Panel = request.app.state.panel
    who: Who = request.state.who
    code = language_of(request, panel)
    tongue = language(code)

    def t(text: str, **places: Any) -> str:
        said = tongue.table.get(text) or tongue.say(text)
        return said.format(**places) if places else said

    def each_in_words(texts: Mapping[str, str]) -> dict[str, str]:
        return {name: t(text) for name, text in texts.items()}

    theme = request.cookies.get("theme", "")
    text = (
        _environment()
        .get_template(template)
        .render(
            t=t,
            each_in_words=each_in_words,
            figures=tongue.figures,
            language=code,
            theme=theme if theme in THEMES else "",
            page=page,
            pages=PAGES,
            who=who,
            csrf=who.session.csrf if who.session is not None else "",
            bench=panel.bench,
            simulated=panel.is_simulated,
            line=panel.bench_line().in_words(tongue.say),
            clock=datetime.now().strftime("%H:%M"),
            **content,
        )
    )
    return HTMLResponse(text, status_code=status)
