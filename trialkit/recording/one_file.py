"""One HTML file out of the parts: markup, style and scripts inlined, nothing fetched.

The scripts are ECMAScript modules in their own files; a page opened from storage may not load
modules from beside it, so they are joined, in the order of their imports, into one script. The
page's content security policy (W3C CSP 3) allows that script and that style by their SHA-256
hashes and nothing else: no network, no other script.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from trialkit.cautions import ON_THE_PHONE

_IMPORT = re.compile(r'^import \{[^}]*\} from "\./(?P<name>[a-z]+)\.js";\n', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(async function|function|class|const|let) )", re.MULTILINE)


def render(trial: dict[str, object], planted: str) -> str:
    """The page as text.

    trial : what the scripts work on; must turn into JSON.
    planted : the planting day in words.
    """
    script, style = _bundle("boot"), _part("style.css")
    policy = policy_of(script, style)
    environment = Environment(autoescape=True, undefined=StrictUndefined)
    return environment.from_string(_part("page.html.j2")).render(
        trial=trial,
        planted=planted,
        cautions=ON_THE_PHONE,
        policy=policy,
        script=Markup(script),
        style=Markup(style),
        data=Markup(json_for_html(trial)),
    )


def policy_of(script: str, style: str) -> str:
    """A content security policy that allows this script and this style and nothing else."""
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src {_hash(script)}",
            f"style-src {_hash(style)}",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def _part(*path: str) -> str:
    return files("trialkit.recording").joinpath("parts", *path).read_text(encoding="utf-8")


def module(name: str) -> str:
    """A module as a part of one script: what it declares, without imports and exports."""
    return _EXPORT.sub("", _IMPORT.sub("", _part("js", f"{name}.js")))


def _bundle(first: str) -> str:
    """The module `first` and all it imports as one script, each module once, imports before."""
    done: dict[str, str] = {}

    def add(name: str) -> None:
        if name in done:
            return
        text = _part("js", f"{name}.js")
        for match in _IMPORT.finditer(text):
            add(match["name"])
        done[name] = module(name)

    add(first)
    body = "\n".join(done.values())
    return f'(() => {{\n"use strict";\n{body}}})();\n'


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def json_for_html(value: object) -> str:
    """JSON that cannot end the element it stands in, whatever the names in it are.

    See the HTML standard, "Restrictions for contents of script elements".
    """
    text = json.dumps(value, ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
