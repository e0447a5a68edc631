"""The notebooks and trials that come with the package, and copies of them to work on.

An installed package carries both inside itself; in a checkout they stand beside it.
"""

from __future__ import annotations

import shutil
from importlib.resources import files
from pathlib import Path

DEMO = "beans"
"""The trial folder under `data/` that `trialkit demo` and an unset notebook use."""


def _folder(name: str) -> Path:
    package = Path(str(files("trialkit")))
    inside = package / "_shipped" / name
    return inside if inside.is_dir() else package.parent / name


def notebooks() -> tuple[Path, ...]:
    """The numbered notebooks, in the order of the job."""
    return tuple(sorted(_folder("notebooks").glob("[0-9]*.ipynb")))


def notebook(stem: str) -> Path:
    """The notebook of that name without its number: `report`, `check`.  KeyError if none."""
    for path in notebooks():
        if path.stem.split("-", 1)[-1] == stem:
            return path
    raise KeyError(stem)


def methods() -> Path:
    """The page of formulas, defaults and sources, for a statistician."""
    return _folder("notebooks") / "methods.md"


def trials() -> dict[str, Path]:
    """Trial folders that come with the package, by name."""
    return {path.parent.name: path.parent for path in sorted(_folder("data").glob("*/trial.toml"))}


def demo() -> Path:
    """The folder of the demo trial.  FileNotFoundError if it is not there."""
    try:
        return trials()[DEMO]
    except KeyError:
        raise FileNotFoundError(f"the demo trial is missing from {_folder('data')}") from None


def several_trials() -> list[Path]:
    """Folders of the published barley trials, which an unset notebook of the season uses."""
    return sorted(path.parent for path in _folder("data").glob("barley-minnesota/*/trial.toml"))


def classic(name: str) -> Path:
    """A published data set that the notebook of mixed models works.  FileNotFoundError if none."""
    path = _folder("data") / "classic" / f"{name}.csv"
    if not path.is_file():
        raise FileNotFoundError(str(path))
    return path


def copy_trial(source: Path, target: Path) -> None:
    """Copy a trial's own files (not reports made of it) into a new or empty folder.

    Raises FileExistsError where `target` holds anything already.
    """
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise FileExistsError(str(target))
    shutil.copytree(
        source,
        target,
        dirs_exist_ok=True,
        ignore=shutil.ignore_patterns("report", "notebooks", "truth.json", ".*"),
    )
