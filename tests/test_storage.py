"""Files are written whole or not at all, and one run holds a folder."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noisemap.errors import BusyError, CannotWriteError, MissingInputError
from noisemap.storage import FolderLock, atomic_path, sha256_file, write_json, write_text
from noisemap.transfer.store import decode, encode


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    write_text(target, "old")

    def half() -> None:
        with atomic_path(target) as temporary:
            temporary.write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        half()
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


def test_a_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(CannotWriteError, match="--output"):
        write_text(tmp_path / "file" / "a.txt", "x")


def test_a_link_is_replaced_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside.txt"
    outside.write_text("mine")
    (tmp_path / "link.txt").symlink_to(outside)
    write_text(tmp_path / "link.txt", "theirs")
    assert outside.read_text() == "mine"


def test_nan_is_not_json(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="JSON"):
        write_json(tmp_path / "a.json", {"x": float("nan")})


def test_equal_content_equal_hash(tmp_path: Path) -> None:
    write_json(tmp_path / "a.json", {"b": 1, "a": 2})
    write_json(tmp_path / "b.json", {"a": 2, "b": 1})
    assert sha256_file(tmp_path / "a.json") == sha256_file(tmp_path / "b.json")


def test_a_second_run_is_told_who_holds_the_folder(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from noisemap.storage import FolderLock\n"
        f"with FolderLock(Path({str(tmp_path)!r})):\n"
        "    print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(BusyError, match=rf"process {other.pid} "), FolderLock(tmp_path):
            pass
        other.kill()
    with FolderLock(tmp_path):
        pass


@given(st.floats(-300.0, 300.0))
def test_attenuations_keep_their_hundredths(attenuation: float) -> None:
    t = np.array([10.0 ** (-attenuation / 10.0)])
    back = -10.0 * np.log10(decode(encode(t)).astype(float))  # type: ignore[arg-type]
    assert back[0] == pytest.approx(attenuation, abs=0.0051)


def test_no_sound_stays_no_sound() -> None:
    assert decode(encode(np.zeros(3, dtype=np.float32))).tolist() == [0.0, 0.0, 0.0]


def test_a_file_that_cannot_be_read_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(MissingInputError, match=r"a.txt: cannot be read \(Permission denied\)"):
        sha256_file(tmp_path / "a.txt")
