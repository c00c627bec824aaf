"""`residue ingest`, `residue show` and `residue verify --all`, as a person types them."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from residue.cli.ingest import ingest
from residue.cli.show import show
from residue.cli.verify import verify
from tests.archive.bags import sealed_bag, write_edf


def test_a_template_is_written_completed_and_ingested_and_the_bag_is_shown(tmp_path: Path) -> None:
    source, bag = tmp_path / "head.edf", tmp_path / "first-batch"
    write_edf(source)
    first = CliRunner().invoke(ingest, [str(source), "--into", str(bag)])
    template = tmp_path / "first-batch.describe.toml"
    assert first.exit_code == 0
    assert str(template) in first.output
    template.write_text(template.read_text(encoding="utf-8").replace('title = ""', 'title = "Oven Watch"'), "utf-8")
    second = CliRunner().invoke(ingest, [str(source), "--into", str(bag), "--describe", str(template)])
    assert second.exit_code == 0
    assert "o1: eeg" in second.output
    shown = CliRunner().invoke(show, [str(bag)])
    assert shown.output.startswith("Oven Watch\n")
    assert "4.0 s   256 Hz  uV" in shown.output


def test_a_folder_of_bags_is_verified_with_one_line_each(tmp_path: Path) -> None:
    for evening in ("monday", "tuesday"):
        (tmp_path / evening).mkdir()
        sealed_bag(tmp_path / evening)
    whole = CliRunner().invoke(verify, [str(tmp_path), "--all"])
    assert whole.exit_code == 0
    assert whole.output.count("first-batch: complete and unchanged") == 2
    (tmp_path / "monday" / "first-batch" / "data" / "beats.txt").unlink()
    spoilt = CliRunner().invoke(verify, [str(tmp_path), "--all"])
    assert spoilt.exit_code == 1
    assert "2 bags, 1 not as they were sealed" in spoilt.output
