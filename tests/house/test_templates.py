"""The panel's templates are seen by no type checker: what each one reads is handed to it, and each sentence gets its
places."""

from __future__ import annotations

import ast
import string
from functools import cache
from pathlib import Path

import pytest
from jinja2 import meta, nodes

from rig.web.pages import frame

WEB = Path(__file__).parents[2] / "rig" / "web"
TEMPLATES = sorted(path.name for path in (WEB / "templates").glob("*.html"))
ENVIRONMENT = frame._environment()  # with the filters and globals of the panel
GIVEN_BY_RENDER = {"request", "template", "page", "status"}  # its own arguments, before what a page hands on


@cache
def calls_of_render() -> tuple[ast.Call, ...]:
    """Calls of frame.render in the pages."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in sorted((WEB / "pages").glob("*.py"))]
    found = [node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return tuple(call for call in found if getattr(call.func, "id", "") == "render")


@cache
def names_for_all() -> set[str]:
    """What frame.render hands to every template, and the globals of its environment."""
    tree = ast.parse((WEB / "pages" / "frame.py").read_text(encoding="utf-8"))
    own = next(node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name == "render")
    inner = [
        node
        for node in ast.walk(own)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "render"
    ]
    names = {str(word.arg) for call in inner for word in call.keywords if word.arg}
    return names | set(ENVIRONMENT.globals)


def handed_to(template: str) -> list[set[str]]:
    """For each call of render with this template, the names that it hands on."""
    found = []
    for call in calls_of_render():
        texts = [arg.value for arg in call.args if isinstance(arg, ast.Constant)]
        if template in texts:
            assert all(word.arg for word in call.keywords), f"{template}: names handed on by ** are seen by nobody"
            found.append({str(word.arg) for word in call.keywords} - GIVEN_BY_RENDER)
    return found


def read_by(template: str) -> set[str]:
    """Names that a template and those that it extends or includes read and do not set."""
    source = (WEB / "templates" / template).read_text(encoding="utf-8")
    tree = ENVIRONMENT.parse(source)
    names = meta.find_undeclared_variables(tree)
    for other in meta.find_referenced_templates(tree):
        assert other is not None, f"{template}: the name of a template is worked out"
        names |= read_by(other)
    return names


@pytest.mark.parametrize("template", [name for name in TEMPLATES if name != "layout.html"])
def test_what_a_template_reads_is_handed_to_it(template: str) -> None:
    calls = handed_to(template)
    assert calls, f"{template} is rendered by nobody"
    for handed in calls:
        assert not read_by(template) - handed - names_for_all()


@pytest.mark.parametrize("template", TEMPLATES)
def test_a_sentence_gets_exactly_its_places(template: str) -> None:
    tree = ENVIRONMENT.parse((WEB / "templates" / template).read_text(encoding="utf-8"))
    for call in tree.find_all(nodes.Call):
        if not (isinstance(call.node, nodes.Name) and call.node.name == "t" and call.args):
            continue
        if isinstance(text := call.args[0], nodes.Const):
            places = {name for _, name, _, _ in string.Formatter().parse(str(text.value)) if name is not None}
            assert places == {word.key for word in call.kwargs}, f"{template}: {text.value}"


def constants_of(tree: ast.Module) -> dict[str, str]:
    """Texts that a module gives a name."""
    return {
        target.id: node.value.value
        for node in tree.body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
        for target in node.targets
        if isinstance(target, ast.Name)
    }


def test_a_phrase_of_the_reports_gets_exactly_its_places() -> None:
    """phrase("... {n} ...", n=...): a place that nobody fills would be printed with its braces."""
    seen = 0
    for path in sorted((WEB.parent).rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        texts = constants_of(tree)
        for call in ast.walk(tree):
            if not (isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "phrase"):
                continue
            key = call.args[0]
            text = key.value if isinstance(key, ast.Constant) else texts.get(getattr(key, "id", ""))
            if text is None or any(word.arg is None for word in call.keywords):
                continue
            seen += 1
            places = {name for _, name, _, _ in string.Formatter().parse(str(text)) if name is not None}
            assert places == {word.arg for word in call.keywords}, f"{path.name}:{call.lineno} {text}"
    assert seen > 20
