import pytest

from tuninglib.text_files import decoded, nearest, parse_table, read_table, read_text
from tuninglib.whole_files import write_like


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_separators_and_quoted_cells(tmp_path, delimiter):
    path = tmp_path / "runs.csv"
    quoted = f'"x{delimiter}y"'
    path.write_text(f"run{delimiter}note\n1{delimiter}{quoted}\n2{delimiter}\n")
    table = read_table(path)
    assert table.headers == ("run", "note")
    assert table.rows == (("1", f"x{delimiter}y"), ("2", ""))
    assert table.row_numbers == (2, 3)


def test_a_table_in_a_field_is_read_as_one_in_a_file(tmp_path):
    text = "# typed at the roadside\r\nrun;time\r\n1;4,4\r\n"
    (tmp_path / "coastdown.csv").write_bytes(text.encode())
    assert parse_table(text, "coastdown.csv") == read_table(tmp_path / "coastdown.csv")


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16-le", "utf-16-be"])
def test_a_file_is_written_like_the_earlier_one(tmp_path, encoding, line_end):
    path = tmp_path / "runs.csv"
    mark = b"" if encoding == "utf-8" else "\ufeff".encode(encoding.removesuffix("-sig"))
    path.write_bytes(mark + f"für{line_end}".encode(encoding.removesuffix("-sig")))
    write_like(path, "für\nzwei\n")
    after = path.read_bytes()
    assert after.startswith(mark)
    typed = f"für{line_end}zwei{line_end}".encode(encoding.removesuffix("-sig"))
    assert after[len(mark) :] == typed
    assert read_text(path) == "für\nzwei\n"


def test_a_file_of_windows_is_written_like_it_while_its_letters_do(tmp_path):
    path = tmp_path / "runs.csv"
    path.write_bytes("für\r\n".encode("cp1252"))
    write_like(path, "für\nzwei\n")
    assert path.read_bytes() == "für\r\nzwei\r\n".encode("cp1252")
    write_like(path, "für Łukasz\n")
    assert path.read_bytes() == "für Łukasz\r\n".encode()
    assert read_text(path) == "für Łukasz\n"


@pytest.mark.parametrize(
    ("raw", "text", "encoding"),
    [
        ("Öl – 80 °C".encode(), "Öl – 80 °C", "utf-8-sig"),
        ("\ufeffÖl".encode(), "Öl", "utf-8-sig"),
        ("Öl – 80 °C".encode("cp1252"), "Öl – 80 °C", "cp1252"),
        ("Öl".encode("utf-16"), "Öl", "utf-16"),
        ("Öl".encode() + b" \xff", "Öl \ufffd", "utf-8-sig"),
        (b"\xd6l \x81", "Öl \ufffd", "cp1252"),
        # Somebody's sign for a lost letter is no lost letter.
        ("l\ufffdl".encode(), "l\ufffdl", "utf-8-sig"),
        # Two files put together, each with its mark.
        ("\ufeffa\n\ufeffb".encode(), "a\nb", "utf-8-sig"),
        ("a\n\ufeffb".encode("utf-16"), "a\nb", "utf-16"),
        (b"a\rb\r\nc\n", "a\nb\nc\n", "utf-8-sig"),
        (b"a\x1a\x00\x00", "a", "utf-8-sig"),
        (b"x" * 200_000 + b"\n\x00y", "x" * 200_000 + "\n\x00y", "utf-8-sig"),
    ],
)
def test_one_rule_tells_the_encoding_of_what_is_typed_and_logged(raw, text, encoding):
    assert decoded(raw, "box.csv") == (text, encoding)


def test_nearest_lists_what_there_is_when_nothing_is_near():
    assert nearest("zzz", ["mass", "grade"]) == "known: 'grade', 'mass'"
    assert nearest("zzz", []) == "none is defined"
