"""Whatever is typed behind `suprathresh`: exit code 0, 1 or 2, and at 2 one line and no traceback."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Sequence
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import click
import pytest
from hypothesis import strategies as st

from acq.cli import cli, main
from tests.fuzz import profile_input, recording_input, scenario_input, study_input
from tests.fuzz.mutation import mutated_bytes, mutated_toml
from tests.fuzz.search import search, search_all
from tests.made_endplates import make_fibre, write_study

# What would run for long, or wait for somebody: never given, or given only with these values.
_ALWAYS = {
    "study": ["--stimuli", "2", "--seconds", "1", "--speed", "max", "--json"],
    "run": ["recording", "--stimuli", "2", "--speed", "max", "--json"],
    "archive": ["--analysis", "1"],  # refused, but after all else was read; of the folder / it would run for hours
    "check": ["--speed", "max", "--yes-resistor"],
    "replay": ["--speed", "max"],
    "bench": ["--scenario", "no such scenario"],
    "simulate": ["--list"],
    "screen": ["--picture", "made.png", "--at", "1"],  # a window would wait for somebody
}
_WORDS = (
    "", " ", "-1", "0", "1", "2", "1e999", "nan", "inf", "-inf", "0.2", "999999999999999999999999", "text", "µ", "a\nb",
    "\x1b[2J", "--", "-", "-h", "/", ".", "..", "/dev/null", "host:1", ":", "127.0.0.1:1", "127.0.0.1:99999", "[::1]:x",
    "simulated", "nidaqmx_analogue", "healthy", "study_healthy:99999", "study_healthy:0", "relative", "each", "max",
    "x" * 5_000, "a\ud800b",
)  # fmt: skip
_NEVER = {
    "--at", "--serve", "--stimuli", "--seconds", "--speed", "--reset", "--recordings",
    "--recursive",  # of the folder / it would run for minutes
}  # fmt: skip
# The result of a study, and what is made of it; each is tried by itself, or most would come up too seldom.
_ON_STUDIES = (
    "list", "summary", "decide", "report", "limits", "export", "import", "analyse", "verify", "copy", "record",
    "correct",
)  # fmt: skip


def run(arguments: Sequence[str]) -> tuple[int, str]:
    """The exit code and what was said on standard error."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main(arguments)
    code = ended.value.code
    return (code if isinstance(code, int) else 0), err.getvalue()


def check_outcome(arguments: Sequence[str]) -> bool:
    """Run and judge; whether it was accepted."""
    code, said = run(arguments)
    assert code in (0, 1, 2), (arguments, code, said)
    assert "Traceback" not in said
    if code == 2:
        assert said.startswith("suprathresh: "), said
        assert len(said.strip().splitlines()) == 1, said
        assert len(said) < 8_000
    return code != 2


def find_parameters(name: str) -> list[click.Parameter]:
    """All that a command takes."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    return command.params


NAMES = tuple(cli.list_commands(click.Context(cli)))
OPTIONS = {
    name: [one for one in find_parameters(name) if isinstance(one, click.Option) and not _NEVER & set(one.opts)]
    for name in NAMES
}
ARGUMENTS = {
    name: [one for one in find_parameters(name) if isinstance(one, click.Argument)]
    for name in NAMES
    if name not in _ALWAYS or name == "replay"
}
_EXPORTED = (".json", ".csv", ".nwb", ".parquet", ".npz", ".edf", ".bdf")
_GOOD = ("result.study", "recording.npz")
_NUMBERS = (click.types.IntParamType, click.types.FloatParamType, click.types.IntRange, click.types.FloatRange)


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Files that nobody names go where nobody minds; nobody is at the keyboard."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    return tmp_path


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    """Inputs of every kind, some of them damaged."""
    kinds = {
        "profile.toml": profile_input.make_seeds()[-1],
        "scenario.toml": scenario_input.make_seeds()[0],
        "recording.npz": recording_input.make_seeds()[0][1:],
        "study.study": study_input.make_seeds()[0],
    }
    folder = tmp_path / "inputs"
    folder.mkdir()
    blocking = make_fibre(latency_us=6000.0, mcd_us=40.0, blocking_fraction=0.3, blocking_interval=(0.2, 0.4))
    about = {"muscle": "frontalis", "age_years": 40, "code": "R-02"}
    write_study(folder / "result.study", [[make_fibre()], [make_fibre(latency_us=4000.0), blocking]], about=about)
    kinds["half_result.study"] = (folder / "result.study").read_bytes()[:40_000]
    kinds["onsets.csv"] = b"onset_s,intensity_ma\n0.1,1.0\n0.2,1.1\n"
    kinds["limits.toml"] = b"schema_version = 1\n[[limit]]\n"
    for name, data in kinds.items():
        (folder / name).write_bytes(data)
        if not name.startswith("half_"):
            (folder / f"half_{name}").write_bytes(data[: len(data) // 2])
    return [str(path) for path in sorted(folder.iterdir())] + [str(folder), str(folder / "absent.toml")]


def stay_here(word: str) -> str:
    """A word that as the name of a new file would be made outside the working folder is made one inside it."""
    if os.path.lexists(word) if "\0" not in word else False:
        return word
    parts = [part for part in word.replace("\\", "/").split("/") if part != ".."]
    return "/".join(parts).lstrip("/") or "word" if "/" in word or "\\" in word else word


@st.composite
def command_lines(draw: st.DrawFn, name: str, files: Sequence[str]) -> list[str]:
    """A command with options, and with what it takes by its place, mostly of the right kind."""
    words = st.sampled_from((*_WORDS, *files)) | st.text(max_size=8).map(stay_here)
    new_ends = {"report": (".html", ".pdf"), "export": _EXPORTED, "limits": (".toml",)}.get(name, (".study",))
    ends = st.sampled_from(new_ends) | st.sampled_from(("", ".study", ".pdf", *_EXPORTED))
    new = st.builds("new{}{}".format, st.integers(0, 10**9), ends)
    study, recording = (next(one for one in files if Path(one).name == kind) for kind in _GOOD)
    right: dict[str, st.SearchStrategy[str]] = {
        "file": st.just(study),
        "files": st.just(recording),
        "folder": st.just(os.fspath(Path(study).parent)),
        "what": st.sampled_from(["1.1", "2.1", "2", "age"] if name != "decide" else ["1.1", "2.1", "2.2", "2"]),
        "number": st.sampled_from("12"),
        "code": st.just("R-3"),
    }

    def is_right() -> bool:
        return draw(st.sampled_from([True] * 7 + [False]))

    def value(parameter: click.Parameter) -> str:
        kind, known = parameter.type, right.get(parameter.name or "")
        if not is_right():
            return draw(words)
        if known is not None:
            return draw(known)
        if isinstance(kind, click.Choice):
            return draw(st.sampled_from([str(one) for one in kind.choices]))
        if isinstance(kind, click.Path):
            return draw(new | st.sampled_from(files))
        return draw(st.sampled_from("123")) if isinstance(kind, _NUMBERS) else draw(words)

    line = [name]
    line += [value(parameter) for parameter in ARGUMENTS.get(name, []) if parameter.required or is_right()]
    for parameter in OPTIONS[name]:
        if draw(st.sampled_from([parameter.required] * 11 + [not parameter.required])):
            option = draw(st.sampled_from(parameter.opts))
            line += [option] if parameter.is_flag else [option, *(value(parameter) for _ in range(parameter.nargs))]
    if not is_right():
        line.insert(draw(st.integers(0, len(line))), draw(words))
    return [*line, *_ALWAYS.get(line[0], [])] if name == line[0] else line


@pytest.fixture
def nothing_outside(tmp_path: Path) -> Iterator[None]:
    """Whatever was typed: what is made, is made in the working folder, or beside the study that was named."""
    outside = [tmp_path.parent, Path(tmp_path.anchor)]
    before = {folder: set(folder.iterdir()) for folder in outside}
    yield
    for folder, names in before.items():
        assert set(folder.iterdir()) <= names


@pytest.mark.usefixtures("nothing_outside")
@pytest.mark.timeout(7200)
def test_random_arguments(full: bool, files: list[str]) -> None:
    names = st.sampled_from(NAMES)
    search(check_outcome, names.flatmap(lambda name: command_lines(name, files)), n=5_000 if full else 60)


@pytest.mark.usefixtures("nothing_outside")
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("name", _ON_STUDIES)
def test_random_arguments_of_what_is_made_of_studies(full: bool, files: list[str], name: str) -> None:
    study = next(one for one in files if Path(one).name == "result.study")
    good = {
        "list": [os.fspath(Path(study).parent)],
        "report": [study, "good.html"],
        "export": [study, "good.json"],
        "import": [next(one for one in files if Path(one).name == "recording.npz"), "--into", "good.study"],
        "decide": [study, "1.1", "note", "--reason", "seen"],
        "correct": [study, "age", "--to", "41", "--reason", "a slip"],
        "copy": [study, "good_copy.study"],
        "limits": [],
        "analyse": [study, "--recording", "1"],
    }
    code, said = run([name, *good.get(name, [study])])
    assert code in (0, 1), said  # so that what follows is not refused for want of a file
    search_all(check_outcome, command_lines(name, files), n=1_000 if full else 12)


@pytest.mark.usefixtures("files")
def test_a_folder_of_folders_with_a_loop_is_listed(own_home: Path) -> None:
    try:
        (own_home / "inputs" / "loop").symlink_to(own_home, target_is_directory=True)
    except OSError:
        pytest.skip("this account may not make links, as on Windows without its developer mode")
    code, said = run(["list", "--recursive", str(own_home)])
    assert code in (0, 1), said
    assert "Traceback" not in said


@pytest.mark.timeout(7200)
def test_mutated_files_at_the_command_line(full: bool, tmp_path: Path) -> None:
    recordings = [seed[1:] for seed in recording_input.make_seeds()[:2]]
    inputs = (
        st.tuples(st.just("analyse"), mutated_bytes(recordings) | st.sampled_from(recordings))
        | st.tuples(st.just("replay"), mutated_bytes(recordings) | st.sampled_from(recordings))
        | st.tuples(st.just("devices"), mutated_toml(profile_input.make_seeds()))
    )

    def feed(drawn: tuple[str, bytes]) -> bool:
        name, data = drawn
        path = tmp_path / "input"
        path.write_bytes(data)
        line = [name, "--profile", os.fspath(path)] if name == "devices" else [name, os.fspath(path)]
        return check_outcome([*line, *_ALWAYS.get(name, [])])

    search(feed, inputs, n=5_000 if full else 60)
