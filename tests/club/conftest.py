"""Club pages made once and shared by every test of this folder."""

from __future__ import annotations

import pytest
from clubtrials import SECRETS, secret_trial


@pytest.fixture(scope="session")
def secret(made_once):
    """A trial with a secret in every free text."""
    return made_once("secret", secret_trial) / SECRETS["folder"]


@pytest.fixture(scope="session")
def club_sites(secret, made_once, warm):
    """A club's pages of that trial, as they are made unasked and with all that may be asked for."""
    from trialkit.club import pages, site, trial
    from trialkit.club.site import Showing, Wanted, make_club

    def both(place):
        before = {path: path.read_bytes() for path in secret.rglob("*") if path.is_file()}
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("XDG_STATE_HOME", str(place / "state"))
            for module in (pages, site, trial):
                patch.setattr(module, "KERNEL", warm)
            for name, showing in (("plain", Showing()), ("open", Showing(True, True, True))):
                assert not make_club([secret], place / name, Wanted(showing)).failed
        after = {path: path.read_bytes() for path in secret.rglob("*") if path.is_file()}
        assert after == before, "the trial's own folder is as it was"

    place = made_once("sites", both)
    return {name: place / name for name in ("plain", "open")}
