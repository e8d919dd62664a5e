"""Saving a line's job and putting a saved one back: whole, kept, and refused where it must be."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller import replacing
from controller.job_files import cut_short, lines_sharing, state_of
from controller.job_text import differing
from controller.jobs import JobError, find_revision, plan, save
from controller.placing import NotNowError, carry_out, nothing_marks
from controller.records.journal import Journal
from controller.records.lock import WriterLock
from controller.records.store import Revision
from controller.settings.base import SettingsError
from controller.settings.saved import is_machine
from tests.unit.job_kit import NAME, OTHER, LineFolder, line_folder

WHO: dict[str, Any] = {"who": "anna", "why": "a test", "wall_ns": 1}
MANY = (
    ('"399.994 mm"', '"402 mm"'),
    ('rearm = "20 ms"', 'rearm = "25 ms"'),
    ('offset = "12 mm"', 'offset = "0.5 in"'),
    ('hold_off = "40 mm"', ""),
    ('wheel = { circumference = "299.7 mm", counts_per_turn = 2000, decode = 4 }', 'mm_per_count = "0.0375 mm"'),
)


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


@pytest.fixture
def folder(tmp_path: Path) -> LineFolder:
    return line_folder(tmp_path)


def put(folder: LineFolder, what: str, job: str | None = None, number: int | None = None) -> Revision | Path | None:
    files, store = folder.files, folder.store
    revision = find_revision(store, job, number, current=files.job_name)
    return carry_out(plan(what, files, revision, store), store, **WHO)


def test_saving_twice_without_a_change_makes_one_revision(folder: LineFolder) -> None:
    assert save(folder.line, **WHO)[1] is True
    revision, new = save(folder.line, **WHO)
    assert (revision.number, new) == (1, False)
    folder.change(MANY[0])
    assert save(folder.line, **WHO)[0].number == 2


def test_a_line_that_does_not_work_is_not_saved(folder: LineFolder) -> None:
    folder.change(('"399.994 mm"', '"2 mm"'))
    with pytest.raises(SettingsError, match="distance 2 mm is shorter"):
        save(folder.line, **WHO)
    assert folder.store.revisions() == []


def test_restoring_gives_the_very_files_back_and_keeps_what_was_there(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    before = folder.line.read_text(), folder.job.read_text()
    folder.change(*MANY[:3])
    changed = folder.text
    kept = put(folder, "restore")
    assert (folder.line.read_text(), folder.job.read_text()) == before
    assert isinstance(kept, Revision)
    assert (kept.text, kept.aside) == (changed, True)
    assert put(folder, "restore", number=kept.number) is None
    assert folder.text == changed


def test_loading_another_job_leaves_the_machine_as_it_is(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    folder.job.write_text(OTHER)
    folder.change(MANY[0], MANY[1])
    save(folder.line, **WHO)
    machine_now = folder.config.settings
    put(folder, "load", NAME)
    assert folder.config.job.name == NAME
    (station,) = folder.config.settings.stations
    assert station.distance == machine_now.stations[0].distance == 402.0
    assert station.rearm == 0.02
    state = state_of(folder.config)
    assert (state.revision, state.differs) == (1, ("stations.flap.distance",))


def test_a_job_put_back_to_an_older_revision_does_not_jump_forward_when_it_is_loaded_again(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    folder.change(MANY[2])
    save(folder.line, **WHO)
    put(folder, "restore", NAME, 1)
    folder.job.write_text(OTHER)
    save(folder.line, **WHO)
    assert find_revision(folder.store, NAME).number == 1
    put(folder, "load", NAME)
    assert '"12 mm"' in folder.job.read_text()


def test_what_differs_is_told_until_it_is_saved(folder: LineFolder) -> None:
    assert str(state_of(folder.config)) == "not saved"
    save(folder.line, **WHO)
    assert str(state_of(folder.config)) == "revision 1, saved"
    folder.change(MANY[0], MANY[1])
    told = "revision 1, not saved: 2 settings differ (stations.flap.distance, stations.flap.rearm)"
    assert str(state_of(folder.config)) == told
    save(folder.line, **WHO)
    assert str(state_of(folder.config)) == "revision 2, saved"


def test_a_damaged_revision_is_never_used_and_the_others_are(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    folder.change(MANY[0])
    save(folder.line, **WHO)
    folder.damage(2)
    assert "damaged" in str(state_of(folder.config))
    assert not state_of(folder.config).saved
    for number in (None, 2):
        with pytest.raises(JobError, match="revision 2 is damaged"):
            find_revision(folder.store, NAME, number)
    assert put(folder, "restore", number=1) is not None


def test_a_job_file_that_cannot_be_read_is_kept_and_written_anew(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    before = folder.text
    folder.job.write_bytes(b"name = \x00\xff")
    kept = put(folder, "restore")
    assert isinstance(kept, Path)
    assert kept.read_bytes() == b"name = \x00\xff"
    assert folder.text == before


def test_a_job_file_that_is_gone_is_written_anew(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    before = folder.text
    folder.job.unlink()
    assert put(folder, "restore") is None
    assert folder.text == before


def test_a_revision_for_other_stations_is_refused_and_nothing_changes(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    folder.change(('name = "flap"', 'name = "side"'))
    with pytest.raises(JobError, match="for the stations flap; this line has side"):
        put(folder, "restore")


def test_a_job_that_would_not_work_on_the_line_as_it_is_now_is_refused(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    folder.change(('"399.994 mm"', '"30 mm"'), ("keep_on_product = true", ""), ('least_length = "30 mm"', ""))
    before = folder.line.read_bytes(), folder.job.read_bytes()
    with pytest.raises(JobError, match="does not work on this line as it is now"):
        put(folder, "load", NAME)
    assert (folder.line.read_bytes(), folder.job.read_bytes()) == before


def test_files_changed_between_planning_and_writing_are_left_alone(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    folder.change(MANY[0])
    files, store = folder.files, folder.store
    planned = plan("restore", files, find_revision(store, None), store)
    folder.change(MANY[1])
    with pytest.raises(NotNowError, match="changed just now"):
        carry_out(planned, store, **WHO)
    assert cut_short(folder.config) == ""


@pytest.mark.parametrize(
    ("job", "number", "words"),
    [("Tea carton", None, f'did you mean "{NAME}"'), (NAME, 7, "it has 1 to 1"), (NAME, 0, "no revision 0")],
)
def test_what_was_never_saved_is_said_with_what_was(
    folder: LineFolder, job: str, number: int | None, words: str
) -> None:
    with pytest.raises(JobError, match="no job of this line has been saved yet"):
        find_revision(folder.store, job, number)
    save(folder.line, **WHO)
    with pytest.raises(JobError, match=words):
        find_revision(folder.store, job, number)


def test_other_lines_with_the_same_job_file_are_named(folder: LineFolder) -> None:
    other = folder.line.with_name("other.toml")
    other.write_text(folder.line.read_text())
    folder.line.with_name("none.toml").write_text("x = 1")
    assert lines_sharing(folder.files) == [other]


def test_while_a_job_is_put_in_place_no_controller_can_begin(folder: LineFolder, tmp_path: Path) -> None:
    with nothing_marks(folder.files) as running:
        assert running is False
        with pytest.raises(Exception, match="another controller"):
            WriterLock.take(tmp_path / "journal.sqlite")
    lock = WriterLock.take(tmp_path / "journal.sqlite")
    with pytest.raises(NotNowError, match="does not answer here may be marking"), nothing_marks(folder.files):
        pass
    lock.release()


def test_a_link_to_the_job_file_stays_a_link_and_rights_stay(folder: LineFolder) -> None:
    real = folder.job.with_name("real.toml")
    folder.job.rename(real)
    real.chmod(0o640)
    folder.job.symlink_to(real.name)
    save(folder.line, **WHO)
    folder.change(MANY[2])
    put(folder, "restore")
    assert folder.job.is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    assert '"12 mm"' in real.read_text()


def died_at(step: int, work: Callable[[], object]) -> bool:
    """Whether a process that does the work dies at that step of writing files; False: it had fewer, and did it all."""
    child = os.fork()
    if child == 0:
        left = [step]

        def counted(real: Any) -> Any:
            def call(*args: Any, **words: Any) -> Any:
                left[0] -= 1
                if left[0] < 0:
                    os._exit(7)
                return real(*args, **words)

            return call

        code = 1
        with contextlib.suppress(BaseException):
            os.fsync, os.fdopen = counted(os.fsync), counted(os.fdopen)  # type: ignore[assignment]
            replacing.Path.replace = counted(Path.replace)  # type: ignore[method-assign]
            work()
            code = 0
        os._exit(code)
    _, status = os.waitpid(child, 0)
    code = os.waitstatus_to_exitcode(status)
    assert code in (0, 7), "the work failed by itself"
    return code == 7


def test_a_crash_at_any_step_leaves_each_file_old_or_new_and_half_a_load_is_told(tmp_path: Path) -> None:
    deaths, told = 0, 0
    for step in range(40):
        (tmp_path / str(step)).mkdir()
        folder = line_folder(tmp_path / str(step))
        save(folder.line, **WHO)
        saved = folder.line.read_text(), folder.job.read_text()
        folder.change(*MANY[:3])
        changed, text = (folder.line.read_text(), folder.job.read_text()), folder.text
        died = died_at(step, lambda folder=folder: put(folder, "restore"))  # type: ignore[misc]
        now = folder.line.read_text(), folder.job.read_text()
        assert now[0] in (saved[0], changed[0])
        assert now[1] in (saved[1], changed[1])
        assert text in [r.text for r in folder.store.revisions()] or now == changed
        if not died:
            assert now == saved
            break
        deaths += 1
        half = now not in (saved, changed)
        told += half
        if half:
            assert "cut short" in str(state_of(folder.config))
            assert "restore" in cut_short(folder.config)
            with pytest.raises(JobError, match="cut short"):
                save(folder.line, **WHO)
        put(folder, "restore", number=1)
        assert (folder.line.read_text(), folder.job.read_text()) == saved
        assert cut_short(folder.config) == ""
        assert state_of(folder.config).saved
    else:
        pytest.fail("it never came to its end")
    assert deaths >= 6
    assert told >= 1


lengths = st.floats(300, 600).map(lambda mm: f"{mm!r} mm") | st.sampled_from(["400 mm", "16 in", "1.5 ft", "40 cm"])
short = st.sampled_from(["0 mm", "12 mm", "0.5 in", "17.3 mm"]) | st.floats(0, 20).map(lambda mm: f"{mm:.9f} mm")
times = st.sampled_from(["0 s", "5 ms", "0.02 s", "20000 us"]) | st.floats(0, 30).map(lambda ms: f"{ms:.6f} ms")
wheels = st.sampled_from(
    [
        'mm_per_count = "0.0375 mm"',
        'wheel = { circumference = "12 in", counts_per_turn = 2000 }',
        "wheel.diameter = '95 mm'\nwheel.counts_per_turn = 1024\nwheel.gearing = 1.5",
        '[encoder.wheel]\ncircumference = "300 mm"\ncounts_per_turn = 2000\ndecode = 2',
    ]
)

known = st.sampled_from(
    [
        "",
        '[uncertainty]\ndistance = { within = "1 mm", shape = "triangular" }  # by tape\nscale = { sd = "1 mm", readings = 5 }\n',
        '[uncertainty]\ndistance = { sd = "0.3 mm" }\n',
        '[uncertainty.distance]\nwithin = "0.5 in"\n[uncertainty.marker_jitter]\nsd = "1 ms"\n',
    ]
)


@st.composite
def two_files(draw: st.DrawFn) -> tuple[str, str]:
    """A line file and a job file, with the same settings of the wiring and others of the job."""
    optional = draw(st.lists(st.sampled_from(["least_gap", "hold_off", "jam_length", "least_length"]), unique=True))
    detector = "".join(f'{name} = "{900 if name == "jam_length" else 20} mm"\n' for name in optional)
    section = f'[detector]\nresponse = "{draw(times)}"  # ours\n{detector}' if draw(st.booleans()) else ""
    stations = "".join(
        f'[[stations]]\nname = "{name}"\ndistance = "{draw(lengths)}" # taped\nrearm = "{draw(times)}"\n'
        + (f'max_speed = "{draw(st.integers(40, 60))} m/min"\n' if draw(st.booleans()) else "")
        for name in ("flap", "side")
    )
    line = (
        '# a line\n[line]\nname = "x"\njob = "job.toml"\ntop_speed = "30 m/min"\n[link]\naddress = "192.0.2.1"\n'
        f'[display]\nlength = "{draw(st.sampled_from(["mm", "in"]))}"\n[journal]\npath = "journal.sqlite"\n'
        f"{section}{stations}[encoder]  # measured\n{draw(wheels)}\n{draw(known)}"
    )
    plans = [
        f'station = "{name}"|offset = "{draw(short)}"|edge = "{draw(st.sampled_from(["leading", "trailing"]))}"'
        for name in draw(st.permutations(["flap", "side"]))
    ]
    head = f'name = "{draw(st.sampled_from(["A", "B"]))}" # name\nnumber = {draw(st.integers(0, 9))}\n'
    if draw(st.booleans()):
        return line, head + "".join("[[plans]]\n" + plan.replace("|", "\n") + "\n" for plan in plans)
    return line, head + "plans = [" + ",".join("{" + plan.replace("|", ",") + "}" for plan in plans) + "]\n"


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(one=two_files(), other=two_files())
def test_what_was_saved_comes_back_to_the_last_digit_into_whatever_files(
    one: tuple[str, str], other: tuple[str, str]
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = LineFolder(Path(name) / "line.toml", Path(name) / "job.toml")

        def write(texts: tuple[str, str]) -> None:
            folder.line.write_text(texts[0])
            folder.job.write_text(texts[1])

        write(one)
        wanted, job = folder.text, folder.config.job.name
        save(folder.line, **WHO)
        write(other)
        before = folder.text
        put(folder, "load", job, 1)
        assert all(is_machine(place) for place in differing(folder.text, wanted))
        assert not any(is_machine(place) for place in differing(folder.text, before))
        write(other)
        put(folder, "restore", job, 1)
        assert folder.text == wanted
        assert state_of(folder.config).saved
        assert folder.line.read_text().count("# taped") == 2
        assert {r.text for r in folder.store.revisions()} >= {wanted, before}


def test_jobs_are_saved_while_the_journal_is_in_use_and_outlive_what_it_forgets(folder: LineFolder) -> None:
    year_ns = 365 * 86_400_000_000_000
    journal = Journal.open(folder.config.journal_path, "tea-cartons")
    journal.begin_run(job=NAME, job_number=7, dry=False, config="", mono_ns=0, wall_ns=0)
    assert save(folder.line, **WHO)[1]
    journal.end_run("asked", mono_ns=1)
    assert journal.prune(1, year_ns).result(60) == 1
    assert journal.close("asked")
    assert journal.error == ""
    assert [r.number for r in folder.store.revisions()] == [1]


def test_two_do_not_put_jobs_in_place_at_once(folder: LineFolder) -> None:
    save(folder.line, **WHO)
    folder.change(MANY[0])
    lock = WriterLock.take(folder.store.path)
    with pytest.raises(NotNowError, match="another job is being put in place"):
        put(folder, "restore")
    lock.release()
    put(folder, "restore")
