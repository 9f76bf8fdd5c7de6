"""The plan as a whole: what it holds, what it refuses, what it writes."""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner

from builder.capture import PlanInput, advice, make_plan, plan_json, plan_lines, write_plan
from builder.capture.cli import plan as plan_command
from builder.catalog.declaration import TABLES, key_names
from builder.cli import kickwheel as kickwheel_command
from builder.errors import InputError, OutputError

DISC = {"diameter_mm": 330.0}
CAMERA = DISC | {
    "subject_mm": (250, 130, 235),
    "focal35_mm": 52,
    "focal_mm": 9,
    "f_number": 2.8,
    "picture_px": (4000, 3000),
}


def refused(**wanted) -> str:
    with pytest.raises(InputError) as caught:
        make_plan(PlanInput(**wanted))
    return str(caught.value)


def test_json_keeps_the_contract():
    told = plan_json(make_plan(PlanInput(**CAMERA)))
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told["version"] == 1
    assert told["disc"] == {"diameter_mm": 330, "circumference_mm": pytest.approx(math.pi * 330)}
    assert (told["frames"], told["step_deg"], told["pace_s"], told["total_s"]) == (36, 10, 1.5, 54)
    assert told["arc_mm"] == pytest.approx(28.798, abs=5e-4) and told["chord_mm"] == pytest.approx(28.761, abs=5e-4)
    assert len(told["marks_mm"]) == 36 and told["marks_mm"][:3] == [0, 29, 58]
    assert set(told["camera"]) >= {
        "distance_mm",
        "horizontal_fov_deg",
        "near_mm",
        "far_mm",
        "f_number",
        "px_per_mm",
        "edge_px_per_step",
    }
    assert told["files"] == []
    assert plan_json(make_plan(PlanInput(**DISC)))["camera"] is None


def test_an_infinite_far_limit_is_null():
    far = plan_json(make_plan(PlanInput(**CAMERA | {"f_number": 128, "distance_mm": 3000})))["camera"]["far_mm"]
    assert far is None


def test_frames_from_the_largest_step():
    assert make_plan(PlanInput(**DISC, max_step_deg=7)).marks.frames == 52
    assert make_plan(PlanInput(**DISC, max_step_deg=10, frames=40)).marks.frames == 40


@pytest.mark.parametrize(
    "wanted, message",
    [
        (
            {},
            "plan: disc: no size given. Measure across the disc or round its rim: --disc 330mm, --radius "
            "165mm or "
            "--rim 1037mm.",
        ),
        ({"diameter_mm": 0}, "plan: disc: must be greater than 0, not 0 mm. Measure the disc again."),
        ({"radius_mm": -165}, "plan: radius: must be greater than 0, not -165 mm. Measure the disc again."),
        ({"rim_mm": math.inf}, "plan: rim: must be greater than 0, not inf mm. Measure the disc again."),
        (
            DISC | {"frames": 1},
            "plan: frames: a turn of 1 frame can't be planned. 2 to 720 can; 24 to 48 are usual.",
        ),
        (
            DISC | {"frames": 10_000},
            "plan: frames: a turn of 10000 frames can't be planned. 2 to 720 can; 24 to 48 are usual.",
        ),
        (
            DISC | {"max_step_deg": 0},
            "plan: max-step: must be 0.5 to 180 degrees, not 0. 10 degrees make 36 frames.",
        ),
        (
            DISC | {"frames": 36, "max_step_deg": 5},
            "plan: frames and max-step: 36 frames make steps of 10.00°, larger "
            "than 5°. Use 72 frames or more, or give only one of the two.",
        ),
        (
            DISC | {"f_number": 0},
            "plan: f-number: must be 0.5 to 128, not 0. Phones have about 1.8; cameras 2.8 to 22.",
        ),
        (
            DISC | {"pace_s": 0},
            "plan: pace: must be 0.5 to 60 seconds a frame, not 0. A second or two is usual by hand.",
        ),
        (
            DISC | {"ruler_mm": 0},
            "plan: ruler: must be divided in 0.1 to 25.4 mm, not 0. Use 1mm, 0.5mm, 1/16in or 1/8in.",
        ),
        (
            DISC | {"subject_mm": (250, -130, 235)},
            "plan: subject: every size must be greater than 0 and at most 100000, "
            "not 250x-130x235. Write it like 250x130x235mm.",
        ),
        (
            DISC | {"picture_px": (0, 3000)},
            "plan: picture: every size must be greater than 0 and at most 100000, not 0x3000. Write it like 4000x3000.",
        ),
        (
            DISC | {"paper": "b5"},
            "plan: paper: “b5” is not a paper size known here. Use one of a4, letter, a3, tabloid, "
            "legal, or none for no printables.",
        ),
        (
            DISC | {"focal_mm": 50},
            "plan: focal: a true focal length says nothing without the sensor. Add --sensor 36x24mm "
            "(its own size), or --focal35, which a phone's Exif holds too.",
        ),
        (
            {"diameter_mm": 5000},
            "plan: disc: a disc of 5000 mm needs more than 24 sheets of a4. Up to 930 mm fits. Use "
            "larger paper (--paper a3), or --paper none for the numbers without printables.",
        ),
        (
            {"diameter_mm": 20, "frames": 72},
            "plan: frames: 72 marks round this disc lie 0.87 mm apart, too close for a "
            "ruler divided in 1 mm. Use fewer frames, a larger disc or a finer ruler.",
        ),
        (
            CAMERA | {"distance_mm": 100},
            "plan: distance: the subject swings out to 141 mm from the axis and would meet the camera. Step back.",
        ),
        (
            DISC | {"focal_mm": 50, "sensor_mm": (36, 24), "focal35_mm": 80},
            "plan: focal35: 50 mm on this sensor is like "
            "50 mm on a 35 mm frame, not 80 mm. Give only two of focal, sensor and focal35.",
        ),
    ],
)
def test_bad_wishes_get_one_clear_message(wanted, message):
    assert refused(**wanted) == message


def test_all_faults_are_told_in_one_run():
    assert len(refused(diameter_mm=-1, frames=1, f_number=0, paper="b5").splitlines()) == 4


def test_a_disc_past_the_tiling_is_planned_without_paper():
    plan = make_plan(PlanInput(diameter_mm=5000, paper="none"))
    assert plan.paper is None and plan.marks.frames == 36
    largest = make_plan(PlanInput(diameter_mm=930))
    assert largest.paper.name == "a4"
    assert "Up to" in refused(diameter_mm=960)


def test_words_for_the_terminal():
    lines = plan_lines(make_plan(PlanInput(**CAMERA)))
    text = re.sub(r"\s+", " ", " ".join(lines))
    assert max(map(len, lines)) <= 78
    assert "330 mm across, 1036.7 mm round the rim" in text
    assert "The turn 0:54 (54 s)" in text
    assert "frame 10 at 0:13.5" in text
    assert "last gap of 21.73 mm, 0.75 times the others" in text
    for caution in advice.CAUTIONS:
        assert caution in text.replace(" - ", " ")


def test_inch_rulers_are_read_in_inches():
    text = "\n".join(plan_lines(make_plan(PlanInput(diameter_mm=13.5 * 25.4, frames=30, ruler_mm=25.4 / 16))))
    assert "13.5 in across, 42.41 in round the rim" in text and "1 7/16" in text and "0:45 (45 s)" in text


def test_shutters_are_whole_half_periods():
    """1/50 and 1/100 s at 50 Hz, 1/60 and 1/120 s at 60 Hz (common practice)."""
    assert advice.shutters(50) == "1/100, 1/50, 1/25 s"
    assert advice.shutters(60) == "1/120, 1/60, 1/30 s"


def test_frames_advice_names_the_range():
    assert "visible jumps" in advice.frames_advice(12)
    assert "usual range" in advice.frames_advice(36)
    assert "weigh more" in advice.frames_advice(72)


def test_same_plan_same_bytes(tmp_path):
    plan = make_plan(PlanInput(**CAMERA))
    first, second = (write_plan(plan, tmp_path / name) for name in "ab")
    assert [path.name for path in first] == [path.name for path in second]
    assert {
        "shoot-sheet.html",
        "shoot-sheet.pdf",
        "pace.wav",
        "pace.html",
        "ring.pdf",
        "ring-a1.svg",
        "rim-tape.pdf",
        "rim-tape.svg",
        "centre-finder.pdf",
        "centre-finder.svg",
        "grey-card.pdf",
        "grey-card.svg",
    } <= {path.name for path in first}
    for a, b in zip(first, second):
        assert a.read_bytes() == b.read_bytes(), a.name
        assert len(a.read_bytes()) > 400


def test_pages_are_self_contained(tmp_path):
    write_plan(make_plan(PlanInput(**CAMERA)), tmp_path)
    for name in ("pace.html", "shoot-sheet.html"):
        page = (tmp_path / name).read_text(encoding="utf-8")
        assert not re.findall(r"""(?:src|href)=["'](?!data:)""", page)
        assert "http:" not in page.replace("http://www.w3.org/2000/svg", "") and "https:" not in page
        assert "&#39;" not in page or name == "shoot-sheet.html"


def test_shoot_sheet_says_the_same_on_page_and_paper(tmp_path):
    import html5lib
    from pypdf import PdfReader

    write_plan(make_plan(PlanInput(**CAMERA)), tmp_path)
    page = html5lib.parse((tmp_path / "shoot-sheet.html").read_text(encoding="utf-8"), namespaceHTMLElements=False)
    on_page = re.sub(r"\s+", "", "".join(page.itertext()))
    on_paper = re.sub(
        r"\s+", "", "".join(sheet.extract_text() for sheet in PdfReader(tmp_path / "shoot-sheet.pdf").pages)
    )
    for words in (
        *advice.CAUTIONS,
        *advice.CHECKLIST,
        "330 mm across, 1036.7 mm round the rim",
        "0:54 (54 s)",
    ):
        squeezed = re.sub(r"\s+", "", words)
        assert squeezed in on_page, words
        assert squeezed in on_paper, words


@pytest.mark.parametrize("frames", [2, 200, 720])
def test_sheets_take_any_number_of_frames(tmp_path, frames):
    written = write_plan(make_plan(PlanInput(diameter_mm=900, frames=frames, pace_s=0.5)), tmp_path)
    assert all(path.stat().st_size for path in written)


def test_a_very_long_pace_has_a_page_but_no_track(tmp_path):
    written = write_plan(make_plan(PlanInput(**DISC, pace_s=60, paper="none")), tmp_path)
    assert [path.name for path in written] == ["shoot-sheet.html", "pace.html"]


def test_a_folder_that_cannot_be_written(tmp_path):
    (tmp_path / "taken").write_text("")
    with pytest.raises(OutputError, match="can't be written"):
        write_plan(make_plan(PlanInput(**DISC)), tmp_path / "taken")


def test_command_prints_json_and_writes(tmp_path):
    run = CliRunner().invoke(
        plan_command,
        [
            "--disc",
            "13.5in",
            "--frames",
            "30",
            "--ruler",
            "1/16in",
            "--pace",
            "1.5",
            "--subject",
            "9x5x9in",
            "--focal",
            "50",
            "--sensor",
            "36x24mm",
            "--f-number",
            "f/8",
            "--picture",
            "6000x4000",
            "--paper",
            "letter",
            "--out",
            str(tmp_path),
            "--json",
        ],
    )
    assert run.exit_code == 0, run.output
    told = json.loads(run.output)
    assert told["total_s"] == 45 and told["disc"]["circumference_mm"] == pytest.approx(42.41 * 25.4, abs=0.05)
    assert sorted(told["files"]) == sorted(path.as_posix() for path in tmp_path.iterdir())
    assert told["camera"]["f_number"] == 8


def test_command_reads_all_options_before_it_complains():
    run = CliRunner().invoke(plan_command, ["--disc", "wide", "--picture", "big", "--f-number", "x"])
    assert isinstance(run.exception, InputError) and len(run.exception.faults) == 3


def test_quiet_prints_nothing():
    assert CliRunner().invoke(plan_command, ["--disc", "330mm", "--quiet"]).output == ""


def test_nothing_heavy_is_loaded_with_the_command():
    code = (
        "import sys, builder.capture.cli, builder.capture; "
        "print([name for name in ('numpy', 'reportlab', 'jinja2', 'cv2', 'PIL') if name in sys.modules])"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


# ---- the [plan] table ----


def planned(tmp_path, text: str, *options: str):
    (tmp_path / "catalog.toml").write_text(f'[shop]\nname = "Saltmarsh Bench"\n{text}', "utf-8")
    ran = CliRunner().invoke(kickwheel_command, ["plan", str(tmp_path), "--json", *options])
    return json.loads(ran.stdout) if ran.exit_code == 0 else ran.exception


def test_the_catalogue_plans_as_the_options_do(tmp_path):
    keys = '[plan]\ndisc = "33cm"\nframes = 24\npace = 2\nsubject = "250x130x235mm"\nfocal35 = 52\nf_number = 8\n'
    words = "--disc 33cm --frames 24 --pace 2 --subject 250x130x235mm --focal35 52 --f-number 8 --json"
    alone = CliRunner().invoke(kickwheel_command, ["plan", *words.split()])
    assert planned(tmp_path, keys) == json.loads(alone.stdout)


def test_options_win_over_keys_and_alternatives_with_them(tmp_path):
    keys = "[plan]\nrim = 1036.7\nframes = 24\npace = 2\n"
    assert planned(tmp_path, keys, "--frames", "30")["frames"] == 30
    assert planned(tmp_path, keys, "--frames", "30")["pace_s"] == 2
    assert planned(tmp_path, keys, "--disc", "300mm")["disc"]["diameter_mm"] == 300
    assert planned(tmp_path, keys, "--max-step", "15.5")["frames"] == 24
    assert planned(tmp_path, keys, "--pace", "1.5")["pace_s"] == 1.5  # as given, though it is the usual one


def test_the_shops_disc_stands_in_and_faults_have_their_line(tmp_path):
    assert planned(tmp_path, "disc_mm = 300\n")["disc"]["diameter_mm"] == 300
    assert "there is no [plan]" in str(planned(tmp_path, ""))
    assert "there is no [plan]" in str(planned(tmp_path, "", "--frames", "24"))  # but of what disc?
    assert planned(tmp_path, "", "--disc", "330mm")["disc"]["diameter_mm"] == 330
    fault = str(planned(tmp_path, "[plan]\ndisk = 330\n"))
    assert "line 4, [plan] disk: unknown key 'disk'. Nearest: 'disc'." in fault
    assert "not a length" in str(planned(tmp_path, '[plan]\ndisc = "wide"\n'))


def test_every_key_is_an_option_and_every_option_a_key():
    options = {option.name for option in plan_command.params} - {"catalog", "out", "as_json", "quiet"}
    assert set(key_names(TABLES["plan"])) == options
