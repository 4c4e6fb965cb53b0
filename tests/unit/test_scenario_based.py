"""A scenario that is based on another file: what it says together with it, and where each value was written."""

from collections.abc import Callable
from pathlib import Path

import pytest
from quiet_night import RIGHT

from emulator.errors import ScenarioError
from emulator.record.meta import content_hash, files_of
from emulator.scenario.load import Loaded, from_settings, load, load_text, load_within, with_changes
from emulator.scenario.stated import resolved

SECOND = 1_000_000
BASE = """\
title: The base
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 6h
seed: 7
queues:
  night: {lease: {value: 90s, from: measured, n: 12}, retry: {attempts_in_all: 3, pause: constant, first: 5s}}
pools:
  dome: {count: 3, serves: [night], poll: 0s, heartbeat: 22s, equipped_with: [tape]}
routines:
  plate-copy:
    queue: night
    parts: [{name: copy, takes: {median: 4m, p95: 9m}}]
arrivals:
  - {name: plates, routine: plate-copy, count: 3, at: "22:00"}
faults:
  - {name: blackout, power_off: dome-1, at: "23:00", back_after: 5m}
  - {name: cut, cut_link: dome, at: "00:00", lasts: 2m}
variants:
  two: {pools.dome.count: 2, queues.night.retry: {attempts_in_all: 2}}
"""

Put = Callable[..., Path]


@pytest.fixture
def put(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Put:
    """Write a file below the present folder."""
    monkeypatch.chdir(tmp_path)

    def write(name: str, text: str) -> Path:
        path = Path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        return path

    return write


def told(file: Path | str, **more: object) -> list[str]:
    with pytest.raises(ScenarioError) as caught:
        load(file, **more)  # type: ignore[arg-type]
    return [str(problem) for problem in caught.value.problems]


def test_mappings_merge_key_by_key(put: Put) -> None:
    """What the file states goes before what its base states; a distribution, and what a variant sets, is one value."""
    put("base.yaml", BASE)
    put(
        "night.yaml",
        """\
based_on: base.yaml
title: The night
queues:
  night: {retry: {first: 9s}}
  day: {lease: 2m}
pools: {dome: {count: 5}}
variants:
  two: {queues.night.retry: {attempts_in_all: 4}}
  one: {pools.dome.count: 1}
""",
    )
    stated = load_text(
        BASE.replace("The base", "The night")
        .replace("first: 5s}}", "first: 9s}}\n  day: {lease: 2m}")
        .replace("count: 3, serves", "count: 5, serves")
        .replace("{attempts_in_all: 2}}", "{attempts_in_all: 4}}\n  one: {pools.dome.count: 1}")
    )
    loaded = load("night.yaml")
    assert loaded.scenario == stated.scenario
    assert (loaded.variants, loaded.patches) == (stated.variants, stated.patches)
    assert loaded.scenario.based_on is None
    put("law.yaml", "based_on: base.yaml\nfaults: [{freeze: dome, gaps: {between: [1h, 2h]}, lasts: 1m}]\n")
    put("other.yaml", "based_on: law.yaml\nlasts: 7h\nroutines: {plate-copy: {parts: [{name: copy, takes: 3m}]}}\n")
    assert load("other.yaml").scenario.routines["plate-copy"].parts[0].takes.constant == 180 * SECOND  # type: ignore[union-attr]
    put("one.yaml", BASE.replace("lasts: 6h", "lasts: 6h\nsystems: {archive: {answers_in: {median: 4m, p95: 9m}}}"))
    put("law.yaml", "based_on: one.yaml\nsystems: {archive: {answers_in: {between: [1m, 2m]}}}\n")
    assert load("law.yaml").scenario.systems["archive"].answers_in.between == (60 * SECOND, 120 * SECOND)


def test_lists_are_replaced_or_changed(put: Put) -> None:
    """A list takes the place of the base's; add and remove change it; null takes a value back to its default."""
    put("base.yaml", BASE)
    put("middle.yaml", 'based_on: base.yaml\nfaults: {add: [{name: late, freeze: dome, at: "02:00", lasts: 1m}]}\n')
    night = """\
based_on: middle.yaml
seed: null
pools: {dome: {equipped_with: {add: [lamp]}}}
faults: {remove: [cut], add: [{slow_down: dome, to: 0.5, at: "03:00", lasts: 5m}]}
arrivals: [{name: others, routine: plate-copy, at: "23:00"}]
must_hold: {add: [{measure: done_share, at_least: 1}]}
"""
    scenario = load(put("night.yaml", night)).scenario
    assert [fault.name for fault in scenario.faults] == ["blackout", "late", None]
    assert (scenario.seed, scenario.pools["dome"].equipped_with) == (1, ("tape", "lamp"))
    assert [entry.name for entry in scenario.arrivals] == ["others"]
    assert [one.measure for one in scenario.must_hold] == ["done_share"]


def test_each_value_has_its_place(put: Put) -> None:
    """Of values, of items that were added, and of what stands behind one that was removed; sources come along."""
    put("lib/base.yaml", BASE)
    put(
        "night.yaml",
        "based_on: lib/base.yaml\nlasts: 7h\nfaults:\n  remove: [blackout]\n  add:\n"
        "    - {freeze: dome, at: '01:00', lasts: 1m}\n",
    )
    loaded = load("night.yaml")
    assert loaded.place("lasts") == "night.yaml:2:8"
    assert loaded.place("pools.dome.count") == "lib/base.yaml:9:17"
    assert loaded.place("queues.night.lease") == "lib/base.yaml:7:26"
    assert loaded.place("faults.0.cut_link") == "lib/base.yaml:18:27"
    assert loaded.place("faults.1.freeze") == "night.yaml:6:16"
    assert {path: told.source for path, told in loaded.provenance.items()} == {"queues.night.lease": "measured"}
    put("own.yaml", "based_on: lib/base.yaml\nqueues: {night: {lease: {value: 2m, from: guess}}}\n")
    assert [told.source for told in load("own.yaml").provenance.values()] == ["guess"]
    put("own.yaml", "based_on: lib/base.yaml\nqueues: {night: {lease: 2m}}\n")
    assert load("own.yaml").provenance == {}


def test_mistakes_are_told_in_the_right_file(put: Put) -> None:
    """Each at its line and column: of the file, of its base, of a change that does not fit, of a wrong source."""
    put("base.yaml", BASE.replace("zone:", "zoen:").replace("from: measured", "from: measred"))
    night = """\
based_on: base.yaml
lasts: soon
faults: {remove: [blakcout], add: {}}
pools: {dome: {cuont: 5}}
must_hold: {add: [{measure: makespn, at_most: 1h}]}
"""
    assert told(put("night.yaml", night)) == [
        "night.yaml:2:8: lasts: 'soon' is not a duration: write 90s, 1h30m, 500ms or PT30S",
        "night.yaml:3:35: faults.add: found an empty mapping: a list is wanted",
        "night.yaml:4:16: pools.dome.cuont: unknown key 'cuont': did you mean 'count'?",
        "night.yaml:5:29: must_hold.0.measure: no figure is called 'makespn': did you mean 'makespan'?",
        "base.yaml:3:1: zoen: unknown key 'zoen': did you mean 'zone'?",
        "base.yaml:7:37: queues.night.lease.from: found 'measred': did you mean 'measured'?",
    ]
    put("base.yaml", BASE)
    assert told(put("night.yaml", "based_on: base.yaml\nfaults: {remove: [blakcout, 1]}\n")) == [
        "night.yaml:2:19: faults.remove.0: faults has 2 items, and none is called 'blakcout': did you mean 'blackout'?"
    ]
    assert told(put("night.yaml", "based_on: base.yaml\npools: {dome: {count: 0}}\n")) == [
        "base.yaml:17:33: faults.0.power_off: there is no worker 'dome-1': the pool 'dome' has no workers"
    ]
    put("base.yaml", "lasts: [\n")
    [wrong] = told(put("night.yaml", "based_on: base.yaml\n"))
    assert wrong.startswith("base.yaml:2:1: this is not valid YAML: ")
    assert told(put("night.yaml", "title: It\nlasts: 5h\nfaults: {add: []}\n"))[1:2] == [
        "night.yaml:1:1: queues: `queues` is missing: The queues, by name."
    ]


@pytest.mark.parametrize(
    "name, message",
    [
        ("''", "based_on: found '': the path of another scenario file is wanted"),
        ("[base.yaml]", "based_on: found a list: the path of another scenario file is wanted"),
        ("bsae.yaml", "based_on: there is no file 'bsae.yaml' beside the scenario"),
        ("lib", "based_on: 'lib' is a folder: name a file in it"),
        (
            "../base.yaml",
            "based_on: '../base.yaml' leads out of the scenario's folder: move it there, or allow its folder by "
            "--allow-folder (in Python: allow_folders)",
        ),
        ("night.yaml", "based_on: files would be based on themselves: work/night.yaml on work/night.yaml"),
        (
            "lib/circle.yaml",
            "based_on: files would be based on themselves: work/lib/circle.yaml on work/other.yaml on "
            "work/lib/circle.yaml",
        ),
    ],
)
def test_what_cannot_be_a_base_is_told(put: Put, name: str, message: str) -> None:
    """A base is a regular file below the scenario's folder, and not the file itself."""
    put("base.yaml", BASE)
    put("work/lib/circle.yaml", "based_on: ../other.yaml\n")
    put("work/other.yaml", "based_on: lib/circle.yaml\n")
    [line] = told(put("work/night.yaml", f"lasts: 6h\nbased_on: {name}\n"))
    assert line.partition(" ")[2] == message


def test_a_base_above_needs_its_folder_allowed(put: Put) -> None:
    """Then what that one is based on, beside it, is read too."""
    put("base.yaml", BASE)
    put("middle.yaml", "based_on: base.yaml\n")
    night = put("work/night.yaml", "based_on: ../middle.yaml\nlasts: 7h\n")
    loaded = load(night, allow_folders=["."])
    assert (loaded.scenario.lasts, loaded.scenario.seed) == (7 * 3600 * SECOND, 7)
    assert loaded.place("seed") == "base.yaml:5:7"
    assert list(loaded.bases) == ["../middle.yaml", "../base.yaml"]


def test_at_most_eight_stand_on_each_other(put: Put) -> None:
    """Eight bases are read; a ninth is told where it is named."""
    put("0.yaml", BASE)
    for number in range(1, 10):
        put(f"{number}.yaml", f"based_on: {number - 1}.yaml\n")
    assert load("8.yaml").scenario.seed == 7
    assert told("9.yaml") == ["1.yaml:1:11: based_on: this would be the base number 9, one on the other: 8 are read"]


def test_files_that_a_base_names_count_from_the_base(put: Put) -> None:
    """A trace beside the base is the same trace for who is based on it; both files enter what a run was made of."""
    put("lib/plates.csv", "at\n2026-06-12T22:00:00\n")
    put("lib/base.yaml", BASE.replace('count: 3, at: "22:00"', "trace: plates.csv"))
    loaded = load(put("night.yaml", "based_on: lib/base.yaml\n"))
    assert loaded.scenario.arrivals[0].trace == "lib/plates.csv"
    assert files_of(loaded) == {
        "lib/base.yaml": content_hash("lib/base.yaml"),
        "lib/plates.csv": content_hash("lib/plates.csv"),
    }


def test_settings_and_texts_may_be_based_on_a_file(put: Put) -> None:
    """In Python too; with the base's text at hand no file is read."""
    put("base.yaml", BASE)
    whole = load(put("night.yaml", "based_on: base.yaml\nlasts: 7h\n"))
    made = from_settings({"based_on": "base.yaml", "lasts": "7h"})
    assert made.scenario == load_text("based_on: base.yaml\nlasts: 7h\n").scenario == whole.scenario

    def again(bases: dict[str, str]) -> Loaded:
        return load_within(whole.text, "night.yaml", whole.folders, bases)

    Path("base.yaml").unlink()
    assert again(dict(whole.bases)).scenario == whole.scenario
    with pytest.raises(ScenarioError, match=r"what 'base.yaml' said is not known"):
        again({})


def test_everything_may_stand_in_a_base(put: Put) -> None:
    """A file that says nothing else is the same scenario, its variants and questions too."""
    for file in RIGHT.glob("*.csv"):
        put(file.name, file.read_text())
    put("base.yaml", (RIGHT / "everything.yaml").read_text())
    loaded, base = load(put("night.yaml", "based_on: base.yaml\n")), load("base.yaml")
    assert (loaded.scenario, loaded.variants, loaded.patches) == (base.scenario, base.variants, base.patches)
    assert (loaded.questions, loaded.provenance) == (base.questions, base.provenance)


def test_the_whole_is_shown_with_the_place_of_each_value(put: Put) -> None:
    """Each value that is no default has the file and line where it was written; what is shown is the same scenario."""
    put("base.yaml", BASE)
    put("night.yaml", "based_on: base.yaml\npools: {dome: {count: 5}}\nfaults: {remove: [cut]}\n")
    changes = [("change", "arrivals.plates.at=22:30"), ("add", "must_hold: {measure: failed, at_most: 0}")]
    loaded = with_changes(load("night.yaml"), changes)
    shown = resolved(loaded)
    assert load_text(shown).scenario == loaded.scenario
    lines = shown.splitlines()
    for line in (
        "title: The base  # base.yaml:1",
        "seed: 7  # base.yaml:5",
        "      value: 1m30s  # base.yaml:7",
        "    renewed: true",
        "    count: 5  # night.yaml:2",
        "    - night  # base.yaml:9",
        "  at: +1h  # 2026-06-12 22:30:00, --change arrivals.plates.at=22:30",
        "  name: blackout  # base.yaml:17",
        "- measure: failed  # --add 'must_hold: {measure: failed, at_most: 0}'",
        "    pools.dome.count: 2  # base.yaml:20",
    ):
        assert line in lines, line
    assert "#" not in resolved(load("base.yaml")).replace("  # 2026-06-1", "")


def test_results_are_of_what_is_said_and_not_of_where_it_stands(put: Put) -> None:
    """A line more in the file leaves the identity of a comparison as it is; another value or base does not."""
    from emulator.experiment.settings import setting_of

    put("base.yaml", BASE)
    prints = []
    for text in ("lasts: 7h\n", "# a remark\nlasts: 7h\n", "lasts: 8h\n"):
        loaded = load(put("night.yaml", f"{text}based_on: base.yaml\n"))
        prints.append(setting_of(with_changes(loaded, [("change", "seed=3")]), "as written").fingerprint())
    put("base.yaml", BASE + "# another\n")
    prints.append(setting_of(load("night.yaml"), "as written").fingerprint())
    assert prints[0] == prints[1]
    assert len(set(prints)) == 3
