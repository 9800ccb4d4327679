"""From readings to the map: the fleet file in a study, and what a repair programme brings."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from noisemap.cli.fleet import fleet_command
from noisemap.errors import BadDataError, NoisemapError, StudyError, UsageError
from noisemap.exposure.traffic import flows_from_table, names_every_state, read_counts
from noisemap.scene.model import Scene
from noisemap.states import EXHAUST_STATES, UNMUFFLED
from noisemap.study.compute import Computed, compute, traffic_of
from noisemap.study.fleet_file import read_fleet
from noisemap.study.prepare import Prepared, prepare
from noisemap.study.programme import with_shares
from noisemap.study.progress import Silent
from noisemap.study.resolved import resolved_toml
from noisemap.study.run import read_scene
from noisemap.zones.alternatives import programme

DATA = Path(__file__).parents[1] / "data"
OWN_SHARES = """[traffic.exhaust_shares]          # used only where the file gives no exhaust state
after_treatment = 0.50            # particulate filter and catalyst
muffled = 0.40
worn = 0.06                       # leaking or gutted muffler
straight = 0.04                   # no muffler
"""


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented town with near homes only, and the fleet file of its own record sheet."""
    folder = tmp_path_factory.mktemp("town")
    for file in DATA.iterdir():
        if file.suffix in (".geojson", ".csv", ".tif", ".toml"):
            shutil.copy(file, folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    assert OWN_SHARES in text
    text = text.replace("max_distance_m = 1500.0", "max_distance_m = 200.0")
    text = text.replace('placement = "facades"', 'placement = "centre"')
    (folder / "counted.toml").write_text(text, encoding="utf-8")
    text = text.replace(OWN_SHARES, "")
    named = text.replace('file = "traffic.csv"', 'file = "traffic.csv"\nfleet = "fleet.toml"')
    (folder / "kept.toml").write_text(named, encoding="utf-8")
    moved = named.replace("fleet.toml", 'fleet.toml"\ncounted_states = "replace')
    (folder / "replaced.toml").write_text(moved, encoding="utf-8")
    command = [str(folder / "readings.csv"), "--output", str(folder / "fleet.toml")]
    assert CliRunner().invoke(fleet_command, command, catch_exceptions=False).exit_code == 0
    return folder


@pytest.fixture(scope="module")
def place(town: Path) -> Scene:
    return read_scene(prepare(town / "counted.toml"), Silent())


def computed(study: Path, place: Scene) -> tuple[Prepared, Computed]:
    prepared = prepare(study)
    return prepared, compute(prepared, place, study.parent / "store", Silent())


def test_the_record_sheet_moves_the_levels_of_the_map(town: Path, place: Scene) -> None:
    """Done when: the same file that gives the sheets moves the map's muffler shares."""
    before_prepared, before = computed(town / "counted.toml", place)
    after_prepared, after = computed(town / "replaced.toml", place)
    shares = read_fleet(town / "fleet.toml")
    by_state = {
        state: sum(one.per_hour.sum() for one in after.base.classes if one.exhaust_state == state)
        for state in EXHAUST_STATES
    }
    total = sum(by_state.values())
    assert total == pytest.approx(sum(one.per_hour.sum() for one in before.base.classes))
    for state, count in by_state.items():
        assert count / total == pytest.approx(shares.share(state), abs=1e-4), state
    heard = np.isfinite(before.base.before.l_night)
    rise = (after.base.before.l_night - before.base.before.l_night)[heard]
    assert rise.min() > -1e-6  # eight times the straight exhausts of the counts
    assert (rise > 1.0).sum() > 20
    assert rise.max() > 3.0
    said = " ".join(after.notes)
    assert "fleet.toml" in said
    assert "are not used" in said
    assert "straight 4%" in said
    assert not any("are not used" in note for note in before.notes)
    assert "fleet.toml" in after_prepared.hashes
    assert "fleet.toml" not in before_prepared.hashes


def test_the_resolved_study_holds_the_shares(town: Path, place: Scene, tmp_path: Path) -> None:
    prepared = prepare(town / "replaced.toml")
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "study.toml").write_text(resolved_toml(prepared, place, 90.0, folder))
    again = prepare(folder / "study.toml", allow_outside=True)
    assert again.study.traffic.exhaust_shares == prepared.study.traffic.exhaust_shares
    assert again.study.traffic.counted_states == "replace"
    flows = [traffic_of(one, place)[0] for one in (prepared, again)]
    for one, two in zip(*flows, strict=True):
        assert np.array_equal(one.per_hour, two.per_hour)


def test_a_fleet_that_would_change_nothing_is_refused(town: Path, place: Scene) -> None:
    prepared = prepare(town / "kept.toml")
    with pytest.raises(BadDataError, match=r"would change nothing.*counted_states"):
        traffic_of(prepared, place)


def test_replacing_keeps_every_count(town: Path, place: Scene) -> None:
    prepared = prepare(town / "replaced.toml")
    assert prepared.counts is not None
    table, _ = read_counts(prepared.counts)
    assert names_every_state(table)
    shares = dict.fromkeys(EXHAUST_STATES, 0.25)
    kept, said = flows_from_table(table, place.roads, shares)
    moved, told = flows_from_table(table, place.roads, shares, replace_states=True)
    assert len(told) == len(said) + 1
    for kind in ("light", "medium", "heavy"):
        sums = [
            sum(flow.per_hour for flow in flows if flow.vehicle_class == kind)
            for flows in (kept, moved)
        ]
        assert sums[0] == pytest.approx(sums[1])
    heavy = [flow for flow in moved if flow.vehicle_class == "heavy"]
    assert {flow.exhaust_state for flow in heavy} == set(EXHAUST_STATES)
    assert all(flow.per_hour.sum() == pytest.approx(heavy[0].per_hour.sum()) for flow in heavy[:4])


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[traffic\n", "not valid TOML"),
        ("[traffic]\nfile = 'x'\n", "nothing else"),
        ("worn = 1.0\n", "nothing else"),
        ("[traffic.exhaust_shares]\nworn = 1.0\n", "each of after_treatment, muffled, worn"),
        (
            "[traffic.exhaust_shares]\nafter_treatment = 0.5\nmuffled = 0.5\nworn = 0.5\n"
            "straight = 0.0\n",
            "sum to 1.500",
        ),
        (
            "[traffic.exhaust_shares]\nafter_treatment = 1.5\nmuffled = -0.5\nworn = 0.0\n"
            "straight = 0.0\n",
            "muffled: .*greater than",
        ),
    ],
)
def test_faults_of_a_fleet_file(tmp_path: Path, text: str, sentence: str) -> None:
    path = tmp_path / "fleet.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadDataError, match=sentence):
        read_fleet(path)


def test_two_sources_of_shares_are_refused(town: Path) -> None:
    for text, sentence in (
        (
            (town / "kept.toml").read_text() + "\n[traffic.exhaust_shares]\nafter_treatment=1.0\n"
            "muffled=0.0\nworn=0.0\nstraight=0.0\n",
            "either fleet or",
        ),
        (
            (town / "replaced.toml").read_text().replace('file = "traffic.csv"', "")
            + "\n[traffic.assumed]\nvehicles_per_day = 900\n",
            "needs a file of counts",
        ),
    ):
        path = town / "wrong.toml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(StudyError, match=sentence):
            prepare(path)
    path.write_text((town / "kept.toml").read_text().replace("fleet.toml", "gone.toml"))
    with pytest.raises(NoisemapError, match=r"gone\.toml"):
        prepare(path)


def test_a_programme_at_the_homes_and_for_an_hour(town: Path, place: Scene, tmp_path: Path) -> None:
    """The figures of the command against the two studies it compares."""
    results, table = town / "results", tmp_path / "programme.csv"
    prepared = with_shares(
        prepare(town / "counted.toml"), read_fleet(town / "fleet.toml"), "readings.csv"
    )
    base = compute(prepared, place, results / "store", Silent())
    assert any("readings.csv" in note for note in base.notes)
    (results / ".noisemap").write_text("noisemap\n")
    command = [
        str(town / "readings.csv"), "--study", str(town / "counted.toml"), "--homes",
        "--repair", "0.5", "--found", "0.8", "--per-hour", "12", "--passes-a-day", "2",
        "--results", str(results), "--table", str(table), "--json", "--quiet",
    ]  # fmt: skip
    done = CliRunner().invoke(fleet_command, command, catch_exceptions=False)
    gain = json.loads(done.stdout)["homes"]
    loud = sum(o.per_hour.sum() for o in base.base.classes if o.exhaust_state in UNMUFFLED)
    assert gain["passes_a_day_made_quiet"] == pytest.approx(0.4 * loud, rel=1e-3)
    direct = programme(base.base, base.drives, 0.4)
    for name, own in (
        ("people_passes_spared", direct.spared),
        ("people_helped", direct.helped),
        ("night_quieter_by_db", direct.quieter),
    ):
        assert gain[name]["value"] == pytest.approx(own.best, rel=1e-3), name
        assert gain[name]["low"] < gain[name]["value"] < gain[name]["high"], name
    shares = read_fleet(town / "fleet.toml")
    repaired = 12 * 0.8 * 0.5 * (shares.worn + shares.straight)
    assert gain["repaired_per_hour"]["value"] == pytest.approx(repaired, rel=1e-3)
    hour = direct.spared.best * repaired * 2 / (0.4 * loud)
    assert gain["people_passes_spared_per_hour"]["value"] == pytest.approx(hour, rel=1e-3)
    rows = dict(line.rsplit(",", 3)[::3] for line in table.read_text().splitlines())
    assert len(rows) == 12


def test_a_programme_that_repairs_nothing_brings_nothing(town: Path, place: Scene) -> None:
    prepared = prepare(town / "counted.toml")
    base = compute(prepared, place, town / "results" / "store", Silent())
    none = programme(base.base, base.drives, 0.0)
    half, all_of_them = (programme(base.base, base.drives, share) for share in (0.5, 1.0))
    assert none.passes_a_day == none.quieter.best == none.spared.high == 0.0
    assert none.spared.best == pytest.approx(0.0, abs=1e-9)  # a difference of equal sums
    assert 0.0 < half.spared.best < all_of_them.spared.best
    assert half.spared.best == pytest.approx(all_of_them.spared.best / 2, rel=1e-6)
    assert 0.0 < half.quieter.best < all_of_them.quieter.best


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--homes"], "--homes needs --study"),
        (["--results", "x"], "--results belongs to --homes"),
        (["--table", "x.csv"], "--table belongs to --homes"),
    ],
)
def test_options_of_homes(options: list[str], sentence: str) -> None:
    with pytest.raises(UsageError, match=sentence):
        CliRunner().invoke(
            fleet_command, [str(DATA / "readings.csv"), *options], catch_exceptions=False
        )
