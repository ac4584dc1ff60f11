"""Trial folders for the intake's tests."""

from __future__ import annotations

from pathlib import Path

import pytest
from sound_trial import FRAMES, SETTINGS, STRIPS, Make


@pytest.fixture
def trial_folder(tmp_path: Path) -> Make:
    """Writes the sound trial with some of its files replaced (text or bytes), or None for none."""

    def make(settings: str | bytes | None = SETTINGS, **tables: str | bytes | None) -> Path:
        contents = {"trial.toml": settings}
        contents |= {
            f"{n}.csv": t for n, t in ({"strips": STRIPS, "frames": FRAMES} | tables).items()
        }
        for name, content in contents.items():
            if content is not None:
                raw = content.encode() if isinstance(content, str) else content
                (tmp_path / name).write_bytes(raw)
        return tmp_path

    return make
