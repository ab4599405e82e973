"""Key files: one a node, for nobody else's eyes, never the same twice."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from fleet.errors import OrderError
from fleet.store.keys import make_key, read_key, read_keys


def test_a_key_is_made_with_mode_600_and_its_generation_rises(tmp_path: Path) -> None:
    first = make_key(tmp_path, "n1")
    second = make_key(tmp_path, "n1")
    assert (first.key_id, second.key_id) == (b"n1-1", b"n1-2")
    assert first.key != second.key and len(second.key) == 32
    assert stat.S_IMODE((tmp_path / "n1.key").stat().st_mode) == 0o600
    assert read_keys(tmp_path)["n1"].key == second.key


def test_a_key_does_not_show_in_its_text(tmp_path: Path) -> None:
    """ASVS 16.2.5: no secret in a log or a traceback."""
    key = make_key(tmp_path, "n1")
    assert key.key.hex() not in f"{key} {key!r}"


def test_a_key_that_others_can_read_is_refused(tmp_path: Path) -> None:
    make_key(tmp_path, "n1")
    (tmp_path / "n1.key").chmod(0o640)
    with pytest.raises(OrderError, match="chmod 600"):
        read_keys(tmp_path)


def test_one_key_on_two_nodes_is_refused(tmp_path: Path) -> None:
    """EN 303 645 5.4-4."""
    make_key(tmp_path, "n1")
    make_key(tmp_path, "n2")
    text = (tmp_path / "n1.key").read_text()
    (tmp_path / "n2.key").write_text(text.replace("n1-1", "n2-1"))
    with pytest.raises(OrderError, match="share one key"):
        read_keys(tmp_path)


@pytest.mark.parametrize("text", ["", "n1-1", "n2-1 " + "0" * 64, "n1-x " + "0" * 64, "n1-1 " + "0" * 63])
def test_a_file_that_is_no_key_is_refused(tmp_path: Path, text: str) -> None:
    make_key(tmp_path, "n1")
    (tmp_path / "n1.key").write_text(text)
    with pytest.raises(OrderError, match="keys make n1"):
        read_key(tmp_path / "n1.key", "n1")


@pytest.mark.parametrize("node", ["../n1", "a/b", "", ".", "..", "x" * 65, "a\x00"])
def test_a_name_that_leaves_the_folder_is_refused(tmp_path: Path, node: str) -> None:
    """ASVS 5.3.2."""
    with pytest.raises(OrderError, match="no name of a node"):
        make_key(tmp_path / "keys", node)
    assert list(tmp_path.rglob("*.key")) == []
