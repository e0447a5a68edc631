"""A page that reloads itself in a browser when its report is made anew; no server, no network.

A page opened from a file may ask for nothing by name but scripts.  So a line of script lies beside
it that says which version the newest is, and the page looks at that line every few seconds.  Only
a page that was asked to be live has any script; its content security policy lets in that script,
by its hash, and what it loads (Content Security Policy Level 3, `strict-dynamic`).
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from pathlib import Path

EVERY_MS = 2000

SCRIPT = """
(() => {
  const own = OWN, file = FILE, kept = "trialkit open parts";
  const folds = () => [...document.querySelectorAll("details")];
  try {
    const open = JSON.parse(sessionStorage.getItem(kept) || "[]");
    folds().forEach((fold, at) => { if (open.includes(at)) fold.open = true; });
    sessionStorage.removeItem(kept);
  } catch (error) { /* no storage for files: parts are folded again */ }
  window.newestReport = version => {
    if (version === own) return;
    try {
      const open = folds().flatMap((fold, at) => fold.open ? [at] : []);
      sessionStorage.setItem(kept, JSON.stringify(open));
    } catch (error) { /* as above */ }
    location.reload();
  };
  setInterval(() => {
    if (document.hidden) return;
    const line = document.createElement("script");
    line.src = file + "?" + Date.now();
    line.onload = line.onerror = () => line.remove();
    document.head.append(line);
  }, EVERY);
})();
"""
"""Parts that stood open stand open again; the browser itself keeps the place on the page."""

_POLICY = re.compile(r"(<meta http-equiv=\"Content-Security-Policy\" content=\"[^\"]*)\"")


def beside(page: Path) -> Path:
    """The file that says which version of `page` is the newest."""
    return page.with_suffix(".live.js")


def version(html: str) -> str:
    """Of a page without its script: another for any other content."""
    return hashlib.sha256(html.encode()).hexdigest()[:16]


def line(html: str) -> str:
    """The content of the file beside the page `html`, which is given without its script."""
    return f"newestReport({json.dumps(version(html))});\n"


def made_live(html: str, page: Path) -> str:
    """The page with the script that watches the file beside it."""
    script = (SCRIPT.replace("OWN", json.dumps(version(html)))
              .replace("FILE", _in_script(beside(page).name)).replace("EVERY", str(EVERY_MS)))
    hashed = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    allowed = rf"\1; script-src 'sha256-{hashed}' 'strict-dynamic'" + '"'
    html, done = _POLICY.subn(allowed, html, count=1)
    if not done:
        raise ValueError("The page has no content security policy to let the script in by.")
    head, _, rest = html.rpartition("</body>")
    return f"{head}<script>{script}</script>\n</body>{rest}"


def _in_script(name: str) -> str:
    """A file's name as an address in a script that stands in HTML."""
    from urllib.parse import quote

    return json.dumps(quote(name))
