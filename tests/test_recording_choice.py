"""Whether the sound is recorded: asked once, kept among the other settings."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from crackdetect.errors import OutputError
from crackdetect.listening.recording_choice import keep_choice, kept_choice, recording_wanted


def test_the_question_is_asked_once_and_kept_among_the_other_settings(tmp_path: Path) -> None:
    settings = tmp_path / "settings" / "settings.toml"
    told: list[str] = []
    asked: list[str] = []

    def yes(question: str, usual: bool) -> bool:
        asked.append(question)
        assert usual is False
        return True

    assert recording_wanted(None, settings=settings, ask=None, tell=told.append) is False
    assert not settings.exists()
    assert recording_wanted(None, settings=settings, ask=yes, tell=told.append) is True
    assert "speech in the room" in asked[0]
    assert "stays on this computer" in asked[0]
    assert recording_wanted(None, settings=settings, ask=yes, tell=told.append) is True
    assert len(asked) == 1
    assert recording_wanted(False, settings=settings, ask=yes, tell=told.append) is False
    settings.write_text('# mine\nvolume = 0.5\nrecord = true\n[other]\nrecord = "x"\n')
    keep_choice(settings, False)
    assert settings.read_text() == '# mine\nvolume = 0.5\nrecord = false\n[other]\nrecord = "x"\n'
    settings.write_text("[other]\n")
    keep_choice(settings, True)
    assert kept_choice(settings) is True
    link = tmp_path / "link.toml"
    link.symlink_to(settings)
    keep_choice(link, False)
    assert link.is_symlink()
    assert kept_choice(settings) is False
    settings.write_text(f"record = {'[' * 5_000}")
    assert kept_choice(settings) is None


def test_a_text_of_several_lines_is_not_taken_for_the_answer(tmp_path: Path) -> None:
    settings = tmp_path / "settings.toml"
    before = 'coffee = """\nrecord = true\n"""\nrecord = true  # as asked\n\n[other]\nrecord = "x"\n'
    settings.write_text(before)
    keep_choice(settings, False)
    assert settings.read_text() == before.replace("record = true  #", "record = false  #")


@pytest.mark.skipif(sys.platform == "win32", reason="has no such rights")
def test_a_file_that_only_its_owner_may_read_stays_one(tmp_path: Path) -> None:
    """It may hold the address of a webhook, or the place of its secret."""
    settings = tmp_path / "settings.toml"
    settings.write_text("volume = 0.5\n")
    settings.chmod(0o600)
    keep_choice(settings, True)
    assert settings.stat().st_mode & 0o777 == 0o600
    assert kept_choice(settings) is True


def test_a_file_that_is_no_settings_file_is_left_alone_and_told(tmp_path: Path) -> None:
    settings = tmp_path / "settings.toml"
    for content in (b"volume = = 3\n", b"\xff\xfe"):
        settings.write_bytes(content)
        with pytest.raises(OutputError, match=r"the answer cannot be kept in .*; write 'record = true' into it"):
            keep_choice(settings, True)
        assert settings.read_bytes() == content
