"""Ingest from beginning to end."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import time
import tomllib
from datetime import date, datetime
from pathlib import Path
from typing import Any

import edfio
import msgspec
import numpy as np
import pytest
import soundfile
from PIL import Image

from residue.archive.fixity import verify
from residue.archive.ingest import resuming, run
from residue.archive.ingest.describe import Align, Description, read_description
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.keeping import StoredSource, keep
from residue.archive.ingest.run import WORK, ingest, write_template
from residue.archive.ingest.source import IngestSource
from residue.archive.performance import Channel, ChannelKind, Mark, Permission
from residue.archive.prepared import prepare
from residue.archive.readers.catalogue import open_channel
from residue.mapping.signals import Kind
from residue.problems import ProblemError
from tests.archive.bags import RECORDED, write_flac

ON = date(2026, 3, 1)


def stick(folder: Path) -> Path:
    """What came out of the evening: sound of two arms, an EEG with a name in it, a table, and a list of beats."""
    folder.mkdir()
    write_flac(folder / "arms.flac")
    rng = np.random.default_rng(6)
    edf = edfio.Edf(
        [edfio.EdfSignal(rng.normal(0, 40, 2560), 256, label="O1", physical_dimension="uV")],
        patient=edfio.Patient(code="MCH-0234567", sex="F", birthdate=date(1951, 5, 2), name="Ida_Brandt"),
        recording=edfio.Recording(startdate=date(2026, 2, 11), equipment_code="SN4711"),
        annotations=[
            edfio.EdfAnnotation(2.0, None, "sits down"),
            edfio.EdfAnnotation(3.0, None, "MRN 4712"),
            edfio.EdfAnnotation(4.25, 1.5, "called by Dr. Krume"),
        ],
    )
    edf.write(folder / "eeg.edf")
    rows = "".join(f"{index / 100:.2f};{np.sin(index):.5f}\n".replace(".", ",") for index in range(400))
    (folder / "grip.csv").write_text("t;hold\n" + rows, encoding="utf-8")
    (folder / "beats.txt").write_text("800\n850\n810\n720\n", encoding="utf-8")
    return folder


DESCRIPTION = Description(
    title="First Batch",
    performer="Ida Brandt",
    recorded=RECORDED,
    place="Back room",
    keep_notes=["sits down"],
    channel={
        "forearm_left": Channel(kind=ChannelKind.MMG, file="arms.flac", track=1, unit="V", full_scale=0.5, site="arm"),
        "forearm_right": Channel(kind=ChannelKind.MMG, file="arms.flac", signal="track 2", unit="V"),
        "o1": Channel(kind=ChannelKind.EEG, file="eeg.edf", signal="O1", unit="uV"),
        "grip": Channel(kind=ChannelKind.FORCE, file="grip.csv", signal="hold", unit="N"),
        "beats": Channel(kind=ChannelKind.RR, file="beats.txt", unit="s"),
    },
    permission=Permission(consent="signed 2026-02-11", use="in galleries"),
    table={"grip.csv": TableFacts(time="t")},
    align=[Align(file="eeg.edf", to="arms.flac", offset_s=1.5)],
)


def contents(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_a_stick_becomes_one_valid_bag_and_is_left_as_it_was(tmp_path: Path) -> None:
    source = stick(tmp_path / "stick")
    before = contents(source)
    done = ingest([source], tmp_path / "first-batch", DESCRIPTION, ON)
    assert verify(done.bag.path) == []
    assert contents(source) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["first-batch", "stick"]


def test_every_channel_can_be_prepared_and_stands_at_its_time(tmp_path: Path) -> None:
    bag = ingest([stick(tmp_path / "stick")], tmp_path / "first-batch", DESCRIPTION, ON).bag
    needs = {"forearm_left": {Kind.FAST}, "o1": {Kind.SLOW}, "grip": {Kind.SLOW}, "beats": {Kind.EVENTS}}
    prepared = prepare(bag.path, needs, tmp_path / "cache")
    assert prepared.frames == round(11.5 * 48_000)
    assert bag.performance.channel["o1"].start_s == 1.5
    assert bag.performance.mark == [Mark(at_s=3.5, text="sits down")]


def test_the_samples_are_those_of_the_sources(tmp_path: Path) -> None:
    source = stick(tmp_path / "stick")
    bag = ingest([source], tmp_path / "first-batch", DESCRIPTION, ON).bag

    def kept(name: str) -> np.ndarray:
        stream = open_channel(bag.file_of(name), bag.performance.channel[name])
        return stream.read(0, stream.length)

    sound, _ = soundfile.read(source / "arms.flac")
    assert np.array_equal(kept("forearm_left"), 0.5 * sound[:, 0])
    assert np.array_equal(kept("o1"), edfio.read_edf(source / "eeg.edf").signals[0].data)
    assert kept("grip") == pytest.approx(np.sin(np.arange(400)), abs=5e-6)


def test_nothing_that_names_a_person_or_a_device_is_left_and_it_is_told(tmp_path: Path) -> None:
    done = ingest([stick(tmp_path / "stick")], tmp_path / "first-batch", DESCRIPTION, ON)
    edf = edfio.read_edf(done.bag.path / "data" / "eeg.edf")
    assert edf.local_patient_identification == "X X X X"
    assert edf.local_recording_identification == "Startdate 11-FEB-2026 X X X"
    assert any("Ida_Brandt" in words and "patient field" in words for words in done.private)
    for path in done.bag.path.rglob("*"):
        if path.is_file() and path.name != "performance.toml":
            assert b"MCH-0234567" not in path.read_bytes()
            assert b"SN4711" not in path.read_bytes()
    assert "without notes, patient field, recording field" in done.report


def test_a_note_that_nobody_listed_is_in_no_file_and_is_told_to_the_person_alone(tmp_path: Path) -> None:
    done = ingest([stick(tmp_path / "stick")], tmp_path / "first-batch", DESCRIPTION, ON)
    needs = {"o1": {Kind.SLOW}, "grip": {Kind.SLOW}}
    prepare(done.bag.path, needs, tmp_path / "cache")
    written = [path for folder in (done.bag.path, tmp_path / "cache") for path in folder.rglob("*") if path.is_file()]
    assert len(written) > 10
    for path in written:
        assert not any(word in path.read_bytes() for word in (b"4712", b"Krume")), path
    assert "eeg.edf: 2 of its 3 notes were left out; keep_notes does not list them." in done.report
    assert "eeg.edf: note (MRN 4712)" in done.private
    assert not any("sits down" in words for words in done.private)
    kept = edfio.read_edf(done.bag.path / "data" / "eeg.edf")
    assert kept.annotations == (edfio.EdfAnnotation(2.0, None, "sits down"),)


def test_a_second_run_with_other_notes_allowed_keeps_those(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first run is cut when it wants to seal: its copy of the file holds fewer notes."""
    source = stick(tmp_path / "stick")
    with monkeypatch.context() as cut:
        cut.setattr(run, "write_report", None)
        with pytest.raises(TypeError):
            ingest([source], tmp_path / "first-batch", DESCRIPTION, ON)
    more = msgspec.structs.replace(DESCRIPTION, keep_notes=["sits down", "called by Dr. Krume"])
    bag = ingest([source], tmp_path / "first-batch", more, ON).bag
    kept = edfio.read_edf(bag.path / "data" / "eeg.edf").annotations
    assert [one.text for one in kept] == ["sits down", "called by Dr. Krume"]
    assert kept[1].duration == 1.5


def test_the_template_lists_the_notes_for_consent_and_keeps_none(tmp_path: Path) -> None:
    write_template([stick(tmp_path / "stick")], tmp_path / "first-batch.describe.toml")
    text = (tmp_path / "first-batch.describe.toml").read_text(encoding="utf-8")
    assert '#   "MRN 4712",' in text
    assert tomllib.loads(text)["keep_notes"] == []


def test_what_is_private_stays_where_a_person_says_so(tmp_path: Path) -> None:
    source = stick(tmp_path / "stick")
    kept = msgspec.structs.replace(DESCRIPTION, keep_private=True)
    done = ingest([source], tmp_path / "first-batch", kept, ON)
    assert (done.bag.path / "data" / "eeg.edf").read_bytes() == (source / "eeg.edf").read_bytes()
    assert done.private == ()


def test_the_bag_tells_who_when_and_what_was_done(tmp_path: Path) -> None:
    info = ingest([stick(tmp_path / "stick")], tmp_path / "first-batch", DESCRIPTION, ON).bag.info
    assert info["Performer"] == ("Ida Brandt",)
    assert info["Recorded"] == ("2026-02-11T23:40:00+01:00",)
    assert info["Consent"] == ("signed 2026-02-11",)
    assert info["Permitted-Use"] == ("in galleries",)
    assert "arms.flac: kept byte for byte." in info["Ingest-Action"]
    assert any("eeg.edf begins at 1.500 s: stated" in words for words in info["Ingest-Action"])


def test_a_picture_and_a_report_go_in(tmp_path: Path) -> None:
    done = ingest([stick(tmp_path / "stick")], tmp_path / "first-batch", DESCRIPTION, ON)
    with Image.open(done.bag.path / "about" / "channels.png") as picture:
        assert picture.format == "PNG"
        assert picture.width >= 1000
    assert (done.bag.path / "about" / "report.txt").read_text(encoding="utf-8") == done.report
    assert "forearm_left: mmg, arm" in done.report


def test_the_same_sources_give_the_same_bag(tmp_path: Path) -> None:
    source = stick(tmp_path / "stick")
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        ingest([source], tmp_path / name / "first-batch", DESCRIPTION, ON)
        if name == "one":
            time.sleep(1.1)  # libsndfile would put the second of writing into a file
    assert contents(tmp_path / "one") == contents(tmp_path / "two")


def test_after_a_cut_a_second_run_does_only_what_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = stick(tmp_path / "stick")
    asked: list[str] = []

    def counted(one: IngestSource, channels: dict[str, Channel], folder: Path, **asks: Any) -> StoredSource:
        asked.append(one.path.name)
        if len(asked) == 3:
            raise KeyboardInterrupt
        return keep(one, channels, folder, **asks)

    monkeypatch.setattr(resuming, "keep", counted)
    with pytest.raises(KeyboardInterrupt):
        ingest([source], tmp_path / "first-batch", DESCRIPTION, ON)
    assert not (tmp_path / "first-batch").exists()
    assert (tmp_path / f"{WORK}first-batch").exists()
    assert verify(ingest([source], tmp_path / "first-batch", DESCRIPTION, ON).bag.path) == []
    assert asked == ["arms.flac", "beats.txt", "eeg.edf", "eeg.edf", "grip.csv"]


def test_a_source_that_changed_after_a_cut_is_taken_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = stick(tmp_path / "stick")
    with monkeypatch.context() as cut:
        cut.setattr(run, "draw", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            ingest([source], tmp_path / "first-batch", DESCRIPTION, ON)
    (source / "beats.txt").write_text("700\n700\n", encoding="utf-8")
    bag = ingest([source], tmp_path / "first-batch", DESCRIPTION, ON).bag
    assert bag.file_of("beats").read_text(encoding="utf-8") == "0.700000\n0.700000\n"


def test_a_template_holds_what_is_known_and_can_be_completed(tmp_path: Path) -> None:
    source = stick(tmp_path / "stick")
    path = tmp_path / "describe.toml"
    write_template([source], path)
    text = path.read_text(encoding="utf-8")
    assert 'kind = "eeg"' in text  # by its name, O1
    assert 'unit = "uV"' in text
    assert 'kind = "rr"' in text
    assert "recorded = 2026-02-11T00:00:00" in text
    with pytest.raises(ProblemError, match="there already"):
        write_template([source], path)
    completed = text.replace('title = ""', 'title = "First Batch"').replace('kind = ""', 'kind = "acc"')
    assert '[table."grip.csv"]\ntime = "t"' in completed
    path.write_text(completed, encoding="utf-8")
    bag = ingest([source], tmp_path / "bag", read_description(path), ON).bag
    assert set(bag.performance.channel) == {"track_1", "track_2", "beats", "o1", "hold"}


def test_a_describe_file_is_held_to_what_a_performance_is_held_to(tmp_path: Path) -> None:
    path = tmp_path / "first-batch.toml"
    path.write_text(
        'title = "x"\n[channel."../x"]\nkind = "mmg"\nfile = "arm.wav"\n[permission]\nconsent = ""\n', encoding="utf-8"
    )
    with pytest.raises(ProblemError) as caught:
        read_description(path)
    told = str(caught.value)
    assert 'first-batch.toml: channel."../x" is not a plain name. Use letters, digits, "_" and "-".' in told
    assert 'first-batch.toml: permission.consent: "" is not allowed here.' in told


def test_a_describe_file_that_asks_for_what_is_not_there_is_told_all_at_once(tmp_path: Path) -> None:
    wrong = msgspec.structs.replace(
        DESCRIPTION,
        channel={
            "o1": Channel(kind=ChannelKind.EEG, file="eeg.edf", signal="O2"),
            "arm": Channel(kind=ChannelKind.MMG, file="arm.flac"),
        },
        align=[Align(file="egg.edf", to="arms.flac", offset_s=1.0)],
    )
    with pytest.raises(ProblemError) as caught:
        ingest([stick(tmp_path / "stick")], tmp_path / "first-batch", wrong, ON)
    told = str(caught.value)
    assert 'eeg.edf holds no "O2"' in told
    assert "Did you mean arms.flac?" in told
    assert "Did you mean eeg.edf?" in told


def test_a_table_without_facts_and_a_missing_stick_are_told(tmp_path: Path) -> None:
    source = stick(tmp_path / "stick")
    with pytest.raises(ProblemError, match=r'\[table."grip.csv"\]'):
        ingest([source], tmp_path / "first-batch", msgspec.structs.replace(DESCRIPTION, table={}), ON)
    with pytest.raises(ProblemError, match="put the stick back in"):
        ingest([tmp_path / "elsewhere"], tmp_path / "first-batch", DESCRIPTION, ON)
    (tmp_path / "empty").mkdir()
    with pytest.raises(ProblemError, match="no recording"):
        ingest([tmp_path / "empty"], tmp_path / "first-batch", DESCRIPTION, ON)


def test_a_file_whose_name_is_no_text_is_told(tmp_path: Path) -> None:
    (tmp_path / os.fsdecode(b"arm\xe4.wav")).write_bytes(b"")
    with pytest.raises(ProblemError, match=r"arm\?\.wav: The name of this file is not UTF-8 text\."):
        write_template([tmp_path], tmp_path / "describe.toml")


@pytest.mark.parametrize(
    ("other", "channel", "both"),
    [("arms_.flac", "more", "arms_.flac"), ("grip.wav", "more", "grip.wav")],
    ids=["two files whose names differ in what does not travel", "a file, and the channel of a table"],
)
def test_two_sources_are_never_kept_under_one_name(tmp_path: Path, other: str, channel: str, both: str) -> None:
    source = stick(tmp_path / "stick")
    (source / "arms.flac").rename(source / "arms!.flac")
    write_flac(tmp_path / "other.flac")
    sound, rate_hz = soundfile.read(tmp_path / "other.flac")
    soundfile.write(source / other, sound, rate_hz)
    channels = {
        name: msgspec.structs.replace(one, file="arms!.flac") if one.file == "arms.flac" else one
        for name, one in DESCRIPTION.channel.items()
    }
    channels[channel] = Channel(kind=ChannelKind.MMG, file=other, track=1, unit="V")
    description = msgspec.structs.replace(DESCRIPTION, channel=channels, align=[])
    with pytest.raises(ProblemError, match=f"would both be kept as {both}"):
        ingest([source], tmp_path / "first-batch", description, ON)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other.flac", "stick"]


def test_what_is_not_described_need_not_be_whole_and_is_told(tmp_path: Path) -> None:
    source = stick(tmp_path / "stick")
    (source / "false-start.wav").write_bytes(b"RIFF")
    (source / "list.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    done = ingest([source], tmp_path / "first-batch", DESCRIPTION, ON)
    for name in ("false-start.wav", "list.csv"):
        assert f"{name}: left out, because the describe file names none of its channels." in done.report
        assert not list(done.bag.path.rglob(name))


def test_every_broken_source_is_told_at_once(tmp_path: Path) -> None:
    source = stick(tmp_path / "stick")
    (source / "eeg.edf").write_bytes((source / "eeg.edf").read_bytes()[:300])
    (source / "beats.txt").write_text("800\neight hundred\n", encoding="utf-8")
    for asking in (
        lambda: ingest([source], tmp_path / "first-batch", DESCRIPTION, ON),
        lambda: write_template([source], tmp_path / "describe.toml"),
    ):
        with pytest.raises(ProblemError) as caught:
            asking()
        assert {finding.where for finding in caught.value.findings} == {"eeg.edf", "beats.txt"}
    assert sorted(path.name for path in tmp_path.iterdir()) == ["stick"]


def test_clocks_of_two_recorders_place_them(tmp_path: Path) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    for name, second in (("one.edf", 10), ("two.edf", 22)):
        signal = edfio.EdfSignal(np.arange(256.0), 256, label="O1", physical_dimension="uV")
        start = datetime(2026, 2, 11, 23, 40, second)  # noqa: DTZ001 - EDF knows no offset
        recording = edfio.Recording(startdate=start.date())
        edfio.Edf([signal], recording=recording, starttime=start.time()).write(folder / name)
    description = Description(
        title="x",
        channel={
            stem: Channel(kind=ChannelKind.EEG, file=f"{stem}.edf", signal="O1", unit="uV") for stem in ("one", "two")
        },
    )
    bag = ingest([folder], tmp_path / "bag", description, ON).bag
    assert [bag.performance.channel[name].start_s for name in ("one", "two")] == [0.0, 12.0]


def test_a_full_disk_is_told_of_the_bag_and_not_of_the_stick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = stick(tmp_path / "stick")

    def full(given: Path, kept: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", str(given), None, str(kept))

    monkeypatch.setattr(shutil, "copyfile", full)
    with pytest.raises(ProblemError) as caught:
        ingest([source], tmp_path / "first-batch", DESCRIPTION, ON)
    assert [finding.where for finding in caught.value.findings] == [str(tmp_path / "first-batch")]


def test_what_did_not_reach_the_disk_does_not_count_as_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source, kept = stick(tmp_path / "stick"), []

    def refused(path: Path) -> None:
        raise OSError(errno.EIO, "Input/output error", str(path))

    def counted(one: IngestSource, channels: dict[str, Channel], folder: Path, **asks: Any) -> StoredSource:
        kept.append(one.path.name)
        return keep(one, channels, folder, **asks)

    monkeypatch.setattr(resuming, "keep", counted)
    with monkeypatch.context() as broken:
        broken.setattr(resuming, "onto_disk", refused)
        with pytest.raises(ProblemError, match="The disk reports errors"):
            ingest([source], tmp_path / "first-batch", DESCRIPTION, ON)
    assert not (tmp_path / "first-batch").exists()
    assert verify(ingest([source], tmp_path / "first-batch", DESCRIPTION, ON).bag.path) == []
    assert sorted(kept) == sorted(2 * ["arms.flac", "beats.txt", "eeg.edf", "grip.csv"])


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        pytest.param(OSError(errno.ENOSPC, "No space left on device"), "disk is full", id="full disk"),
        pytest.param(OSError(errno.EIO, "Input/output error"), "The disk reports errors", id="stick pulled out"),
        pytest.param(OSError(errno.ENOENT, "No such file"), "It is not there", id="stick gone"),
        pytest.param(
            soundfile.SoundFileRuntimeError("flush failed."), r"copied completely: flush failed\. ", id="libsndfile"
        ),
    ],
)
def test_a_fault_half_way_is_told_and_leaves_no_half_bag(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: Exception, told: str
) -> None:
    source = stick(tmp_path / "stick")
    before = contents(source)

    def faulty(*_: object) -> None:
        raise fault

    with monkeypatch.context() as broken:
        broken.setattr(shutil, "copyfile", faulty)
        with pytest.raises(ProblemError, match=told):
            ingest([source], tmp_path / "first-batch", DESCRIPTION, ON)
    assert not (tmp_path / "first-batch").exists()
    assert contents(source) == before
    assert verify(ingest([source], tmp_path / "first-batch", DESCRIPTION, ON).bag.path) == []
