"""A packed session: the same files again, or a refusal; whoever packed it is not trusted."""

import hashlib
import shutil
import stat
import zipfile

import pytest

from tuninglib.__main__ import main
from tuninglib.session.load import MANIFEST, load_session, pack_session, unpack_session
from tuninglib.text_files import SessionError


def files(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture
def packed(demo_copy):
    return pack_session(demo_copy)


def test_it_comes_back_as_it_was(demo_copy, packed, tmp_path, capsys):
    assert packed.name == f"{demo_copy.name}.outing.zip"
    own = {name: data for name, data in files(demo_copy).items() if name != "truth.json"}
    assert files(unpack_session(packed, tmp_path / "again")) == own
    load_session(tmp_path / "again")
    # The same session packs to the same bytes, and an earlier file is not written over.
    assert pack_session(demo_copy, tmp_path / "b.zip").read_bytes() == packed.read_bytes()
    assert main(["pack", str(demo_copy)]) == 2
    assert "is there already" in capsys.readouterr().err
    shutil.move(packed, tmp_path / "sent.outing.zip")
    assert main(["unpack", str(tmp_path / "sent.outing.zip")]) == 0
    assert files(tmp_path / "sent") == own
    assert main(["unpack", str(tmp_path / "sent.outing.zip")]) == 2
    assert "is not an empty folder" in capsys.readouterr().err


def test_what_is_no_part_of_a_session_stays_at_home(demo_copy):
    for name in ("runs.earlier-1.csv", "secret.txt", ".hidden.csv", "report.html"):
        (demo_copy / name).write_text("mine")
    with zipfile.ZipFile(pack_session(demo_copy)) as found:
        assert set(found.namelist()) == {"session.toml", "runs.csv", MANIFEST}
        # The same bytes on any day: every file is of the format's first.
        assert {one.date_time for one in found.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def made(path, contents, *, manifest=True, **more):
    """A packed file made by somebody else."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name, data in contents:
            out.writestr(name, data)
        if manifest:
            names = [(n if isinstance(n, str) else n.filename, d) for n, d in contents]
            lines = [f"{hashlib.sha256(d).hexdigest()}  {n}\n" for n, d in names]
            out.writestr(MANIFEST, more.get("lines") or "".join(lines))
    return path


TOML = ("session.toml", b"[session]\n")


@pytest.mark.parametrize(
    ("contents", "said"),
    [
        ([TOML, ("../escape.csv", b"x")], "'../escape.csv', which is no part of an outing"),
        ([TOML, ("a/b.csv", b"x")], "which is no part of an outing"),
        ([TOML, ("..\\x.csv", b"x")], "which is no part of an outing"),
        ([TOML, ("run.py", b"x")], "which is no part of an outing"),
        ([TOML, (".bashrc.csv", b"x")], "which is no part of an outing"),
        ([TOML, ("Runs.csv", b"x"), ("runs.csv", b"x")], "two files with the same name"),
        ([("runs.csv", b"x")], "holds no session.toml"),
        ([TOML, *((f"n{i}.csv", b"x") for i in range(20))], "21 files; an outing has at most 20"),
        ([TOML, ("runs.csv", b"0" * 30_000_000)], "30 MB; an outing has at most 20 MB"),
    ],
)
def test_what_is_no_session_is_refused_and_nothing_written(tmp_path, contents, said):
    path = made(tmp_path / "bad.outing.zip", contents)
    with pytest.raises(SessionError) as refused:
        unpack_session(path)
    assert said in str(refused.value)
    assert [one.name for one in tmp_path.iterdir()] == ["bad.outing.zip"]


def test_changes_on_the_way_are_seen(tmp_path):
    runs = ("runs.csv", b"run\n1\n")
    good = "".join(f"{hashlib.sha256(d).hexdigest()}  {n}\n" for n, d in (TOML, runs))
    for name, contents, lines in (
        ("other", [TOML, ("runs.csv", b"run\n2\n")], good),
        ("more", [TOML, runs, ("fills.csv", b"x")], good),
        ("less", [TOML], good),
        ("no checksums", [TOML, runs], "hello"),
    ):
        path = made(tmp_path / f"{name}.zip", contents, lines=lines)
        with pytest.raises(SessionError, match=r"not as it was packed|it was changed"):
            unpack_session(path)
    with pytest.raises(SessionError, match="holds no session"):
        unpack_session(made(tmp_path / "bare.zip", [TOML, runs], manifest=False))


def test_a_link_is_a_text_and_leads_nowhere(tmp_path):
    link = zipfile.ZipInfo("runs.csv")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    folder = unpack_session(made(tmp_path / "link.zip", [TOML, (link, b"/etc/passwd")]))
    assert not (folder / "runs.csv").is_symlink()
    assert (folder / "runs.csv").read_bytes() == b"/etc/passwd"


def test_a_damaged_file_is_said(packed, tmp_path):
    raw = packed.read_bytes()
    middle = len(raw) // 3
    for name, data in (
        ("cut", raw[:middle]),
        ("empty", b""),
        ("text", b"hello"),
        ("flipped", raw[:middle] + bytes([raw[middle] ^ 255]) + raw[middle + 1 :]),
    ):
        path = tmp_path / f"{name}.zip"
        path.write_bytes(data)
        with pytest.raises(SessionError, match=r"is damaged|not as it was packed|was changed"):
            unpack_session(path)
        assert not (tmp_path / name).exists()
    with pytest.raises(SessionError, match="is not there"):
        unpack_session(tmp_path / "nowhere.zip")


def test_a_size_that_lies_does_not_fill_the_memory(tmp_path, monkeypatch):
    """The directory says ten bytes, the stream holds a million."""
    path = made(tmp_path / "bomb.zip", [TOML, ("runs.csv", b"0" * 1_000_000)])
    real = zipfile.ZipFile.infolist

    def lying(self):
        found = real(self)
        for info in found:
            if info.filename == "runs.csv":
                info.file_size = 10
        return found

    monkeypatch.setattr(zipfile.ZipFile, "infolist", lying)
    with pytest.raises(SessionError, match=r"longer than it says|damaged"):
        unpack_session(path)


def test_no_session_no_file(tmp_path):
    with pytest.raises(SessionError, match=r"holds no session\.toml"):
        pack_session(tmp_path)
