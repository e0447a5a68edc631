"""Club pages made once and shared by every test of this folder."""

from __future__ import annotations

import pytest
from clubtrials import secret_trial


@pytest.fixture(scope="session")
def secret(tmp_path_factory):
    """A trial with a secret in every free text."""
    return secret_trial(tmp_path_factory.mktemp("secret"))


@pytest.fixture(scope="session")
def club_sites(secret, tmp_path_factory):
    """A club's pages of that trial, as they are made unasked and with all that may be asked for."""
    from trialkit.club.site import Showing, Wanted, make_club

    place = tmp_path_factory.mktemp("sites")
    before = {path: path.read_bytes() for path in secret.rglob("*") if path.is_file()}
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(place / "state"))
        for name, showing in (("plain", Showing()), ("open", Showing(True, True, True))):
            assert not make_club([secret], place / name, Wanted(showing)).failed
    after = {path: path.read_bytes() for path in secret.rglob("*") if path.is_file()}
    assert after == before, "the trial's own folder is as it was"
    return {name: place / name for name in ("plain", "open")}
