"""Sessions, masters and what belongs to what."""

from dataclasses import replace

from pipeline.assignment import assign_masters
from pipeline.grouping import group_masters, group_sessions
from pipeline.matching import Traits, choose
from pipeline.plan import FrameRecord
from tests.unit.raw_frames import SETTINGS

OPTIONS = SETTINGS["calibration"]

LIGHT = FrameRecord(
    path="light.fits", kind="light", filter_set="wide", exposure_s=60.0, width=128, height=96, cfa="RGGB",
    night="2031-05-02", start_utc="2031-05-02T21:00:00", hdu=0, size=1, mtime_ns=1, gain_setting=100.0,
    offset_setting=30.0, temperature_c=-10.0,
)  # fmt: skip


def frames(kind, count=3, **changes):
    filter_set = "wide" if kind in ("light", "flat") else None
    base = replace(LIGHT, kind=kind, **{"filter_set": filter_set, **changes})
    label = "-".join(str(value) for value in changes.values())
    return [
        replace(base, path=f"{kind}-{label}-{k}.fits", start_utc=f"{base.night}T2{k % 4}:00:00")
        for k in range(count)
    ]


def plan(lights, calibration, previous=None):
    sessions, masters = assign_masters(
        group_sessions(lights, OPTIONS), group_masters(calibration, OPTIONS), OPTIONS, previous or {}
    )
    return {each.name: each for each in sessions}, {each.name: each for each in masters}


def codes(session):
    return [note["code"] for note in session.notes]


def test_one_session_a_night_filter_and_setting():
    lights = [
        *frames("light"),
        *frames("light", night="2031-05-03"),
        *frames("light", filter_set="duo"),
        *frames("light", exposure_s=120.0),
        *frames("light", count=2, exposure_s=60.3),
        *frames("light", gain_setting=200.0),
    ]
    sessions = group_sessions(lights, OPTIONS)
    assert sorted(len(each.frames) for each in sessions) == [3, 3, 3, 3, 5]
    assert "wide-2031-05-02-60s-g100-o30-b1x1" in [each.name for each in sessions]
    assert len({each.name for each in sessions}) == 5


def test_the_name_leaves_out_what_is_not_known():
    (session,) = group_sessions(
        frames("light", exposure_s=0.5, gain_setting=None, offset_setting=None, temperature_c=None), OPTIONS
    )
    assert session.name == "wide-2031-05-02-0p5s-b1x1"


def test_flats_are_kept_together_over_exposures_and_darks_apart_by_temperature():
    sky_flats = [*frames("flat", exposure_s=1.0), *frames("flat", exposure_s=3.0)]
    darks = [
        *frames("dark", temperature_c=-10.0),
        *frames("dark", temperature_c=-10.9),
        *frames("dark", temperature_c=0.0),
    ]
    masters = group_masters([*sky_flats, *darks], OPTIONS)
    assert sorted((each.kind, len(each.frames)) for each in masters) == [
        ("dark", 3),
        ("dark", 6),
        ("flat", 6),
    ]


def test_a_complete_set_matches_without_a_word():
    calibration = [
        *frames("bias", exposure_s=0.0),
        *frames("dark", temperature_c=-9.0),
        *frames("flat", exposure_s=2.0),
        *frames("darkflat", exposure_s=2.0),
    ]
    sessions, masters = plan(frames("light"), calibration)
    (session,) = sessions.values()
    assert session.notes == []
    assert {kind: name.split("-")[0] for kind, name in session.masters.items()} == {
        "bias": "bias", "dark": "dark", "flat": "flat",
    }  # fmt: skip
    assert masters[session.masters["flat"]].pedestal.startswith("darkflat")
    assert len(masters) == 4


def test_what_nobody_needs_is_left_out():
    _, masters = plan(
        frames("light"),
        [*frames("dark"), *frames("dark", exposure_s=300.0), *frames("flat", filter_set="duo")],
    )
    assert [each.exposure_s for each in masters.values()] == [60.0]


def test_each_difference_is_named_with_both_values():
    wrong = {
        "gain_setting": (200.0, "gain setting 200 instead of 100"),
        "offset_setting": (50.0, "offset setting 50 instead of 30"),
        "temperature_c": (-5.0, "temperature -5 instead of -10 degC"),
        "binning": ("2x2", "binning 2x2 instead of 1x1"),
        "width": (64, "size 64 x 96 instead of 128 x 96"),
        "cfa": ("GBRG", "colour pattern GBRG instead of RGGB"),
    }
    for field, (value, text) in wrong.items():
        sessions, _ = plan(frames("light"), frames("dark", **{field: value}))
        (session,) = sessions.values()
        assert session.masters["dark"] is None
        assert text in session.notes[0]["message"], field
    sessions, _ = plan(frames("light"), frames("dark", exposure_s=90.0))
    assert "exposure 90 instead of 60 s" in next(iter(sessions.values())).notes[0]["message"]


def test_rotated_flats_do_not_match():
    sessions, _ = plan(frames("light", rotation_deg=359.0), frames("flat", rotation_deg=0.5))
    assert next(iter(sessions.values())).masters["flat"]
    sessions, _ = plan(frames("light", rotation_deg=359.0), frames("flat", rotation_deg=90.0))
    session = next(iter(sessions.values()))
    assert session.masters["flat"] is None
    assert "rotation" in session.notes[-1]["message"]


def test_another_dark_is_scaled_only_with_a_bias_and_within_reason():
    darks = [
        *frames("dark", exposure_s=30.0),
        *frames("dark", exposure_s=300.0),
        *frames("dark", exposure_s=600.0),
    ]
    sessions, masters = plan(frames("light"), [*darks, *frames("bias", exposure_s=0.0)])
    (session,) = sessions.values()
    assert masters[session.masters["dark"]].exposure_s == 300.0, (
        "scaling down adds no noise; the nearest longer one"
    )
    assert codes(session)[0] == "dark_of_other_exposure"
    sessions, masters = plan(
        frames("light"), [*frames("dark", exposure_s=2.0), *frames("bias", exposure_s=0.0)]
    )
    (session,) = sessions.values()
    assert session.masters["dark"] is None
    assert session.masters["bias"]
    assert codes(session)[0] == "no_matching_dark"
    sessions, masters = plan(frames("light"), darks)
    (session,) = sessions.values()
    assert masters[session.masters["dark"]].exposure_s == 30.0, (
        "without a bias the nearest shorter one is the pedestal"
    )
    assert codes(session)[0] == "no_matching_dark"


def test_a_flat_of_the_nearest_night_is_used_and_said():
    calibration = [*frames("flat", night="2031-05-01"), *frames("flat", night="2031-04-01")]
    sessions, _ = plan(frames("light"), calibration)
    (session,) = sessions.values()
    assert "2031-05-01" in session.masters["flat"]
    assert "flat_of_another_night" in codes(session)


def test_a_later_night_never_changes_an_earlier_match():
    """Flats taken on the day before would be nearer, but the match that the stack was made with stays."""
    lights, early = (
        frames("light", night="2031-05-10"),
        [*frames("flat", night="2031-05-05"), *frames("dark", night="2031-05-05")],
    )
    before, masters = plan(lights, early)
    nearer = [*frames("flat", night="2031-05-11"), *frames("dark", night="2031-05-11")]
    fresh, _ = plan(lights, [*early, *nearer])
    pinned, _ = plan(lights, [*early, *nearer], {**before, **masters})
    name = next(iter(before))
    assert fresh[name].masters != before[name].masters
    assert pinned[name] == before[name]


def test_a_makeshift_gives_way_to_what_fits():
    lights, bias = frames("light"), frames("bias", exposure_s=0.0)
    before, masters = plan(lights, [*bias, *frames("dark", exposure_s=90.0)])
    after, _ = plan(
        lights,
        [*bias, *frames("dark", exposure_s=90.0), *frames("dark", night="2031-05-20")],
        {**before, **masters},
    )
    name = next(iter(before))
    assert "2031-05-20" in after[name].masters["dark"]
    # Another makeshift, nearer in exposure but of another night, does not replace the first.
    same, _ = plan(
        lights,
        [*bias, *frames("dark", exposure_s=90.0), *frames("dark", exposure_s=90.0, night="2031-05-03")],
        {**before, **masters},
    )
    assert same[name].masters == before[name].masters


def test_what_is_unknown_cannot_disagree():
    sessions, _ = plan(frames("light"), frames("dark", temperature_c=None, gain_setting=None))
    assert next(iter(sessions.values())).masters["dark"]


def test_what_is_known_to_fit_comes_before_what_may_fit():
    """A single bias whose header lost its offset must not win over a full set, whatever their names."""
    known, untold = (
        frames("bias", exposure_s=0.0),
        frames("bias", count=1, exposure_s=0.0, offset_setting=None),
    )
    for calibration in ([*known, *untold], [*untold, *known]):
        sessions, masters = plan(frames("light"), calibration)
        (session,) = sessions.values()
        assert len(masters[session.masters["bias"]].frames) == 3


def test_a_bias_that_was_exposed_for_long_is_the_last_choice():
    long, short = frames("bias", exposure_s=60.0), frames("bias", exposure_s=0.001, night="2031-04-01")
    sessions, masters = plan(frames("light"), [*long, *short])
    (session,) = sessions.values()
    assert masters[session.masters["bias"]].exposure_s == 0.001
    sessions, _ = plan(frames("light"), long)
    assert next(iter(sessions.values())).masters["bias"]


def test_a_flat_takes_a_bias_or_the_nearest_dark_where_it_has_no_dark_flat():
    def pedestal(*calibration):
        _, masters = plan(frames("light"), [*frames("flat", exposure_s=2.0), *calibration])
        flat = next(each for each in masters.values() if each.kind == "flat")
        return flat.pedestal and flat.pedestal.split("-")[0]

    assert pedestal(*frames("bias", exposure_s=0.0), *frames("dark", exposure_s=2.0)) == "dark"
    assert pedestal(*frames("bias", exposure_s=0.0), *frames("darkflat", exposure_s=9.0)) == "bias"
    assert pedestal(*frames("darkflat", exposure_s=9.0), *frames("dark")) == "darkflat"
    assert pedestal(*frames("bias", exposure_s=0.0, gain_setting=7.0)) is None
    assert pedestal() is None


def test_a_flat_from_which_nothing_can_be_taken_is_told_of_with_what_is_nearest():
    sessions, _ = plan(frames("light"), [*frames("flat"), *frames("bias", exposure_s=0.0, gain_setting=7.0)])
    (session,) = sessions.values()
    note = session.notes[-1]
    assert note["code"] == "no_pedestal_for_flat"
    assert "Nearest: bias-2031-05-02-0s-g7-o30-m10C-b1x1 (gain setting 7 instead of 100)" in note["message"]


def test_near_misses_come_nearest_first():
    (session,) = group_sessions(frames("light"), OPTIONS)
    far = frames("dark", gain_setting=1.0, binning="2x2")
    near = frames("dark", gain_setting=2.0)
    groups = [Traits.of(each) for each in group_masters([*far, *near], OPTIONS)]
    name, misses = choose(Traits.of(session), groups, OPTIONS, fields=("gain_setting", "binning"))
    assert name is None
    assert [len(miss.differs) for miss in misses] == [1, 2]
