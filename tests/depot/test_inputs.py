"""What inputs mean: files, folders, patterns, archives, Parquet files; odd names, bombs, and files
that change."""

from __future__ import annotations

import gzip
import io
import os
import tarfile
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.depot import archives, inputs, jobs, texts
from memdiag.depot.errors import BatchError
from memdiag.depot.judging import Job, judge_dump
from memdiag.depot.rows import Rows
from memdiag.reading.cleaning import unpack
from tests.depot.bench import batch, dump, rows, tarred, zipped
from tests.support.marks import examples

OUT = Path("nowhere-yet")


def found(*names: Path | str) -> list[tuple[str, bytes | str]]:
    """The jobs of files: their names, and their bytes or the code of what was wrong."""
    made: list[tuple[str, bytes | str]] = []
    for job in jobs.jobs(map(str, names)):
        if isinstance(job, Rows):
            made.append((job.name, str(job.verdicts[0][-3])))
        else:
            made.append((job.name, job.data if job.data is not None else f"path {job.path}"))
    return made


# -- names ---------------------------------------------------------------------------------------


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name in ("in/b.dump", "in/a.dump", "in/deep/c.log", "in/.hidden/d.dump", "in/.e.dump"):
        Path(name).parent.mkdir(parents=True, exist_ok=True)
        Path(name).write_text(dump())
    os.mkfifo("in/pipe")
    Path("in/deep/ring").symlink_to("..")
    Path("in/deep/astray.dump").symlink_to("gone.dump")
    return tmp_path


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("in",), ["in/a.dump", "in/b.dump", "in/deep/astray.dump", "in/deep/c.log"]),
        (("in/b.dump", "./in/a.dump", "in//b.dump"), ["in/a.dump", "in/b.dump"]),
        (("in/*.dump",), ["in/a.dump", "in/b.dump"]),
        (("in/**/*.log", "in/b*"), ["in/b.dump", "in/deep/c.log"]),
        (("in/.e.dump",), ["in/.e.dump"]),
        (("i[n]",), ["in/a.dump", "in/b.dump", "in/deep/astray.dump", "in/deep/c.log"]),
    ],
)
def test_words_mean_files(tree: Path, words: tuple[str, ...], names: list[str]) -> None:
    assert inputs.names(words, OUT) == names
    assert inputs.names(tuple(reversed(words)), OUT) == names


def test_a_name_that_looks_like_a_pattern_is_a_name_first(tree: Path) -> None:
    Path("a[1].dump").write_text(dump())
    assert inputs.names(("a[1].dump",), OUT) == ["a[1].dump"]


@pytest.mark.parametrize("word", ["nothing", "in/*.none", "", "in/[", "**x"])
def test_a_word_that_means_nothing_is_refused(tree: Path, word: str) -> None:
    with pytest.raises(BatchError, match="means no file"):
        inputs.names((word or "in/none",), OUT)
    assert inputs.watched((word or "in/none",), OUT) == []


def test_what_is_no_regular_file_is_not_waited_for(tree: Path) -> None:
    assert found("in/pipe", "in/deep/astray.dump", "in") == [
        ("in/pipe", "batch-unreadable"),
        ("in/deep/astray.dump", "batch-unreadable"),
        ("in", "batch-unreadable"),
    ]


ODD = [
    b"sp ace",
    b"new\nline",
    b"\xff\xfe",
    b"\x1b[31m",
    "zwölf ☃".encode(),
    b"-o",
    b"%41",
    b"a'b\"c",
]


def test_names_of_any_bytes_are_kept_apart(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    for name in ODD:
        (tmp_path / "in" / os.fsdecode(name)).write_text(dump())
    batch(tmp_path / "in", tmp_path / "out")
    told = [row["input"] for row in rows(tmp_path / "out", "verdicts")]
    assert len(set(told)) == len(ODD) == len(told)
    assert {name.rsplit("/", 1)[1] for name in told} == {
        name.decode("utf-8", "surrogateescape").encode("utf-8", "backslashreplace").decode()
        for name in ODD
    }


# -- files that change ---------------------------------------------------------------------------


def test_a_file_that_is_written_to_is_read_once_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever wrote may be done by then; where they go on, it is said."""
    path = tmp_path / "a.dump"
    path.write_text(dump())
    steady = jobs._steady
    for times, outcome in ((1, (dump() + "# 0\n").encode()), (2, "batch-changed")):
        left = times
        path.write_text(dump())

        def busy(path: Path, file: object = None) -> bytes | None:
            nonlocal left
            if file is not None and left:
                left -= 1
                read = file.read  # type: ignore[attr-defined]

                class Grows:
                    def fileno(self) -> int:
                        return file.fileno()  # type: ignore[attr-defined,no-any-return]

                    def read(self, size: int) -> bytes:
                        data: bytes = read(size)
                        with path.open("a") as more:
                            more.write("# 0\n")
                        return data

                return steady(path, Grows())  # type: ignore[arg-type]
            return steady(path, file)  # type: ignore[arg-type]

        monkeypatch.setattr(jobs, "_steady", busy)
        assert [data for _, data in found(path)] == [outcome]
        monkeypatch.undo()


def test_a_large_file_is_read_by_the_worker_and_watched_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from memdiag.depot.judging import Changed, How

    monkeypatch.setattr(jobs, "SENT", 100)
    path = tmp_path / "large.dump"
    path.write_text(dump())
    ((name, data),) = found(path)
    assert data == f"path {path}"
    job = Job(name, path.stat().st_size, path=str(path))
    assert judge_dump(job, How()).verdicts[0][-3] is None

    import memdiag.reading.load as loading

    load = loading.load

    def load_and_write(*given: object, **named: object) -> object:
        read = load(*given, **named)  # type: ignore[arg-type]
        path.write_text(dump() + "# more\n")
        return read

    monkeypatch.setattr(loading, "load", load_and_write)
    with pytest.raises(Changed):
        judge_dump(job, How())


# -- archives ------------------------------------------------------------------------------------

DUMPS: dict[str, str | bytes] = {
    "day1/a.dump": dump(1),
    "day1/b.dump.gz": gzip.compress(dump(2).encode(), mtime=0),
    "./c.dump": dump(3),
    "day1/.hidden": "no",
    "__MACOSX/._a.dump": "no",
}


@pytest.mark.parametrize(
    "packed",
    [zipped(DUMPS), tarred(DUMPS), tarred(DUMPS, "w:gz"), tarred(DUMPS, "w:xz")],
    ids=["zip", "tar", "tar.gz", "tar.xz"],
)
def test_an_archive_is_the_texts_in_it(tmp_path: Path, packed: bytes) -> None:
    """Made by the standard library; told by its content, whatever it is called."""
    path = tmp_path / "rigs"
    path.write_bytes(packed)
    data = {name.removeprefix(f"{path}/"): data for name, data in found(path)}
    assert data.pop("./c.dump") == dump(3).encode()
    assert data == {
        "day1/a.dump": dump(1).encode(),
        "day1/b.dump.gz": gzip.compress(dump(2).encode(), mtime=0),
    }


def test_a_name_that_comes_twice_is_two_inputs(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("a", "one")
        archive.writestr("a", "two")
    (tmp_path / "x").write_bytes(out.getvalue())
    assert found(tmp_path / "x") == [(f"{tmp_path}/x/a", b"one"), (f"{tmp_path}/x/a (2)", b"two")]


@pytest.mark.parametrize("outer", [zipped, tarred])
@pytest.mark.parametrize(
    "inner",
    [zipped({"a": "x"}), tarred({"a": "x"}), tarred({"a": "x"}, "w:gz"), b"PAR1 and so on"],
    ids=["zip", "tar", "tar.gz", "parquet"],
)
def test_an_archive_in_an_archive_is_refused_and_the_rest_is_read(
    tmp_path: Path, outer: object, inner: bytes
) -> None:
    path = tmp_path / "x"
    path.write_bytes(outer({"in": inner, "b.dump": dump()}))  # type: ignore[operator]
    assert found(path) == [(f"{path}/in", "batch-nested"), (f"{path}/b.dump", dump().encode())]


def test_a_damaged_archive_gives_what_it_holds(tmp_path: Path) -> None:
    many = {f"{n}.dump": dump(n) + os.urandom(2000).hex() for n in range(40)}
    for name, packed in (("z", zipped(many)), ("t", tarred(many, "w:gz")), ("u", tarred(many))):
        path = tmp_path / name
        path.write_bytes(packed[: len(packed) // 2])
        got = found(path)
        assert got[-1][0] == str(path) and str(got[-1][1]).startswith(("batch-archive", "packed-"))
        assert len(got) == 1 or 10 < len(got) < 30
    spoilt = bytearray(zipped(many))
    spoilt[200] ^= 255
    path.write_bytes(bytes(spoilt))
    codes = [data for _, data in found(path) if isinstance(data, str)]
    assert codes == ["batch-archive"]  # that member alone


def test_a_locked_archive_is_said(tmp_path: Path) -> None:
    """The bit of encryption is set in both headers (APPNOTE 4.4.4): a password is wanted."""
    data = bytearray(zipped({"a.dump": dump()}))
    data[6] |= 1
    data[data.index(b"PK\x01\x02") + 8] |= 1
    (tmp_path / "x.zip").write_bytes(bytes(data))
    assert found(tmp_path / "x.zip") == [(f"{tmp_path}/x.zip/a.dump", "batch-archive")]


def test_bombs_are_refused_and_hold_nobody_up(tmp_path: Path) -> None:
    """One member beyond its bound costs that member; many within theirs, the rest of the archive;
    a header that asks for as much memory as it likes, the archive."""
    swollen = bytes(65 << 20)
    one = tmp_path / "one.zip"
    one.write_bytes(zipped({"bomb": swollen, "b.dump": dump()}))
    assert found(one) == [(f"{one}/bomb", "batch-member"), (f"{one}/b.dump", dump().encode())]

    packed = tmp_path / "one.tar.gz"
    packed.write_bytes(tarred({"a.dump": dump(), "bomb": swollen}, "w:gz"))
    assert [data for _, data in found(packed)] == [dump().encode(), "packed-bomb"]

    many = tmp_path / "many.zip"
    many.write_bytes(zipped({f"{n}": bytes(30 << 20) for n in range(4)}))
    assert [data if isinstance(data, str) else len(data) for _, data in found(many)] == [
        30 << 20,
        30 << 20,
        "packed-bomb",
    ]

    named = tarfile.TarInfo("a" * 3_000_000)
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.GNU_FORMAT) as archive:
        archive.addfile(named)
    (tmp_path / "named.tar").write_bytes(out.getvalue())
    assert [data for _, data in found(tmp_path / "named.tar")] == ["batch-archive"]


def test_the_number_of_members_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archives, "MOST_MEMBERS", 3)
    path = tmp_path / "x.tar"
    path.write_bytes(tarred({f"{n}": "x" for n in range(9)}))
    assert [data for _, data in found(path)] == [b"x", b"x", b"x", "batch-many"]


@given(
    st.binary(max_size=400),
    st.sampled_from([zipped(DUMPS), tarred(DUMPS), tarred(DUMPS, "w:gz")]),
    st.data(),
)
@settings(max_examples=examples(60), deadline=None)
def test_no_archive_however_spoilt_ends_the_reading(
    noise: bytes, packed: bytes, data: st.DataObject
) -> None:
    """Each byte of it is a member's, or is said to be lost; nothing is raised."""
    at = data.draw(st.integers(0, len(packed)))
    spoilt = packed[:at] + noise + packed[at + len(noise) :]
    kind = archives.kind(io.BytesIO(spoilt), len(spoilt))
    if kind in ("zip", "tar"):
        for member in archives.members(io.BytesIO(spoilt), len(spoilt), kind):
            assert (member.data is None) is (member.wrong is not None)


def test_the_bounds_are_those_of_any_packed_text() -> None:
    assert archives.MOST_OF_A_MEMBER == unpack.IN_MEMORY


# -- Parquet of texts ----------------------------------------------------------------------------


def parquet(path: Path, columns: dict[str, object], **more: object) -> Path:
    import pyarrow as pa
    import pyarrow.parquet as pq

    pq.write_table(pa.table(columns), path, **more)
    return path


def test_a_parquet_file_is_its_texts(tmp_path: Path) -> None:
    path = parquet(
        tmp_path / "x",
        {"text": [dump(1), None, dump(2)], "name": ["a", "b", None], "rig": [1, 2, 3]},
        row_group_size=2,
    )
    assert found(path) == [
        (f"{path}/1/a", dump(1).encode()),
        (f"{path}/2/b", b""),
        (f"{path}/3", dump(2).encode()),
    ]


@pytest.mark.parametrize("kind", ["binary", "large_string", "large_binary"])
def test_texts_may_be_bytes(tmp_path: Path, kind: str) -> None:
    import pyarrow as pa

    value = dump().encode() if "binary" in kind else dump()
    path = parquet(tmp_path / "x", {"text": pa.array([value], getattr(pa, kind)())})
    assert found(path) == [(f"{path}/1", dump().encode())]


def test_a_parquet_file_without_texts_is_said(tmp_path: Path) -> None:
    path = parquet(tmp_path / "x", {"ohms": [1.5], "text": [3]})
    assert found(path) == [(str(path), "batch-no-text")]
    path.write_bytes(b"PAR1 and no more")
    assert found(path) == [(str(path), "batch-archive")]


def test_a_parquet_bomb_is_one_text_that_is_stored_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import pyarrow as pa

    once = pa.DictionaryArray.from_arrays(pa.array([0] * 600, pa.int32()), ["x" * (1 << 20)])
    path = parquet(tmp_path / "x", {"text": once}, dictionary_pagesize_limit=8 << 20)
    assert path.stat().st_size < 1 << 20
    before, most, got = pa.total_allocated_bytes(), 0, 0
    for member in texts.members(path):
        got += len(member.data or b"") == 1 << 20
        most = max(most, pa.total_allocated_bytes() - before)
    assert got == 600 and most < 32 << 20  # 256 of them made would be 256 MiB
    monkeypatch.setattr(texts, "_MOST_AT_ONCE", 1000)
    assert found(path) == [(str(path), "batch-group")]
    monkeypatch.undo()
    monkeypatch.setattr(texts, "MOST_OF_A_MEMBER", 1000)
    assert {data for _, data in found(path)} == {"batch-member"}
