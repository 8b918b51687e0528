"""A pass for its page: solved by itself as a run would, and what the page writes."""

from dataclasses import replace

import numpy as np
import pytest

from tests.tiny import CLIP, edit
from vidspeed.assembly.reading import read_session
from vidspeed.desk import choices, passes
from vidspeed.desk.films import NEAR_PX, around, film_key, filmed, lanes_by_clip
from vidspeed.desk.passes import Wanted, linked, solved, together
from vidspeed.desk.results import summary_of
from vidspeed.desk.sources import Changed, read_source
from vidspeed.measure import run
from vidspeed.values import Choice

ENTRY = 'pass = "1"\n'
WANTED = Wanted(label="1", clips=(CLIP,), time_s=0.2, intervals_s={})


def light(time_s, x_px, y_px):
    return Choice(time_s=time_s, xy_px=np.array([x_px, y_px]))


def two_lights(folder):
    """Rest the session on a track file with two lights that both might be the craft."""
    rows = (folder / "results/north-pass-1/track.csv").read_text(encoding="utf-8").splitlines()
    head, lights = rows[0].split(","), [row.split(",") for row in rows[1:]]
    for row in lights:  # the file's own label would say which pass it is: a clip has many tracks
        row[head.index("pass")] = "a"
    other = [list(row) for row in lights]
    for row in other:
        row[head.index("pass")] = "b"
        row[head.index("x_px")] = str(479.0 - float(row[head.index("x_px")]))
        row[head.index("y_px")] = str(float(row[head.index("y_px")]) - 20.0)
    text = "\n".join(",".join(row) for row in (head, *lights, *other))
    (folder / "two.csv").write_text(text, encoding="utf-8")
    edit(folder / "session.toml", f'file = "{CLIP}"', 'track = "two.csv"  # by hand')


def test_a_pass_solved_by_itself_has_the_figures_of_a_run(tiny):
    before = summary_of(tiny)["passes"][0]
    shown = solved(tiny, WANTED)
    assert shown.result.speed_mps == before["speed_mps"]
    assert shown.result.speed_u_mps == before["speed_u_mps"]
    assert shown.result.interval95_mps == tuple(before["interval95_mps"])
    (candidate,) = shown.candidates
    assert candidate.taken and candidate.speed_mps == before["speed_mps"]
    assert len(shown.lanes) == 1 and not shown.darker[0] and not shown.chosen


def test_what_was_looked_at_is_remembered_while_lights_are_dismissed(tiny, monkeypatch):
    first = solved(tiny, WANTED)
    monkeypatch.setattr(passes, "look_within_bounds", None)
    sighted = first.result.sightings[0]
    at = light(float(sighted.track.time_s[9]), *sighted.track.xy_px[9])
    session = read_session(tiny)
    rows = choices.with_dismissed(session.clips[0], [at])
    source = choices.change(read_source(tiny), session, [(CLIP, "dismiss", rows)])
    assert f"dismiss = [{{time_s = {rows[0]['time_s']}, x_px = {rows[0]['x_px']}" in source.text
    again = solved(tiny, WANTED)
    assert np.flatnonzero(again.result.sightings[0].dismissed).tolist() == [9]
    assert again.result.speed_mps != first.result.speed_mps
    assert again.result.speed_mps == run(tiny).passes[0].speed_mps


def test_another_survey_is_looked_at_anew(tiny, monkeypatch):
    solved(tiny, WANTED)
    monkeypatch.setattr(passes, "look_within_bounds", None)
    edit(tiny / "session.toml", "length_u_m = 0.02", "length_u_m = 0.03")
    with pytest.raises(TypeError):
        solved(tiny, WANTED)


def test_the_light_that_is_chosen_is_the_one_that_is_solved(tiny):
    two_lights(tiny)
    wanted = replace(WANTED, clips=("two.csv",))
    shown = solved(tiny, wanted)
    assert [row.taken for row in shown.candidates].count(True) == 1
    assert any("equally well" in row.message for row in shown.problems)
    other = next(row for row in shown.candidates if not row.taken)
    rows = choices.chosen(shown, other)
    choices.change(read_source(tiny), read_session(tiny), [("two.csv", "choose", rows)])
    assert "# by hand" in (tiny / "session.toml").read_text(encoding="utf-8")
    again = solved(tiny, wanted)
    assert again.chosen and not again.problems
    assert again.result.direction != shown.result.direction
    assert again.result.direction == run(tiny).passes[0].direction


def test_a_choice_keeps_the_lights_of_other_passes_of_the_clip(tiny):
    shown = replace(solved(tiny, WANTED), others={CLIP: (light(7.0, 8.0, 9.0),)})
    first, second = choices.chosen(shown, shown.candidates[0])
    assert first == {"time_s": 7.0, "x_px": 8.0, "y_px": 9.0}
    assert second["time_s"] == pytest.approx(shown.candidates[0].middle.time_s, abs=1e-6)


def test_a_file_that_somebody_else_changed_is_left_alone(tiny):
    source, session = read_source(tiny), read_session(tiny)
    edit(tiny / "session.toml", "A short afternoon", "A long afternoon")
    before = (tiny / "session.toml").read_bytes()
    with pytest.raises(Changed, match="was changed by somebody else"):
        choices.change(source, session, [(CLIP, "dismiss", [])])
    assert (tiny / "session.toml").read_bytes() == before


def test_restoring_takes_out_whatever_dismissed_the_light(tiny):
    clip = replace(
        read_session(tiny).clips[0], dismiss=(light(0.27, 93.0, 135.0), light(0.5, 93.0, 135.0))
    )
    meant = light(0.266667, 95.0, 134.0)
    assert choices.without_dismissed(clip, [meant], 1.0 / 60.0) == [
        {"time_s": 0.5, "x_px": 93.0, "y_px": 135.0}
    ]
    alone = replace(clip, dismiss=clip.dismiss[:1])
    assert choices.without_dismissed(alone, [meant], 1.0 / 60.0) is None
    twice = replace(clip, dismiss=(meant,))
    assert choices.with_dismissed(twice, [meant]) == [choices.written(meant)]


def test_a_choice_moves_to_another_light_when_its_own_is_dismissed(tiny):
    track = solved(tiny, WANTED).result.sightings[0].track
    lights = choices.lights_of(track)
    clip = replace(read_session(tiny).clips[0], choose=(light(9.0, 1.0, 1.0), lights[5]))
    out = np.zeros(len(track), dtype=bool)
    out[4] = True
    assert choices.choices_after(clip, track, out) is None
    out[5] = True
    kept, moved = choices.choices_after(clip, track, out)
    assert kept["time_s"] == 9.0
    assert moved not in [choices.written(lights[4]), choices.written(lights[5])]
    assert moved in [choices.written(each) for each in lights]
    assert choices.choices_after(clip, track, np.ones(len(track), dtype=bool)) is None


def test_a_pass_that_is_gone_says_what_there_is(tiny):
    session = read_session(tiny)
    lights = solved(tiny, WANTED).result.sightings[0].track
    rows = [
        choices.written(light(float(time_s), *xy_px))
        for time_s, xy_px in zip(lights.time_s[3:], lights.xy_px[3:], strict=True)
    ]
    choices.change(read_source(tiny), session, [(CLIP, "dismiss", rows)])
    shown = solved(tiny, WANTED)
    assert shown.result.status == "none" and not shown.candidates
    assert any("no light moves along the course" in row.message for row in shown.problems)


def test_clips_that_bear_on_each_other_are_solved_together(tiny):
    session = read_session(tiny)
    clip = session.clips[0]

    def of(*rows):
        clips = tuple(
            replace(clip, file=name, camera=camera, pass_label=label)
            for name, camera, label in rows
        )
        return replace(session, clips=clips)

    def wanted(clip, *others):
        return replace(WANTED, clips=(clip,), linked=(clip, *others))

    labelled = of(("a", "n", "1"), ("b", "s", "1"), ("c", "n", "2"), ("d", "n", None))
    assert together(labelled, wanted("a")) == {"a", "b"}
    assert together(labelled, wanted("d")) == {"d"}
    free = of(("a", "n", None), ("b", "s", None), ("c", "n", "1"), ("e", "s", None))
    assert together(free, wanted("a", "b")) == {"a", "b"}


def test_clips_are_linked_over_any_number_of_passes():
    rows = [{"clips": list(pair)} for pair in ("ab", "bc", "de", "f")]
    assert linked(rows, ["a"]) == ("a", "b", "c")
    assert linked(rows, ["e"]) == ("d", "e")
    assert linked(rows, ["f"]) == ("f",)


def test_the_frames_of_a_pass_show_each_light_in_their_middle(tiny):
    shown = solved(tiny, WANTED)
    ((sighted, lane, darker),) = lanes_by_clip(shown)
    clip = read_session(tiny).clips[0]
    film = filmed(tiny / CLIP, None, lane, sighted, darker=darker)
    assert len(film.near) == len(sighted.track) and None not in film.near
    assert film.early_s < sighted.track.time_s[0] and film.late_s > sighted.track.time_s[-1]
    assert film.from_m < 0.0 and film.to_m > 40.0
    key = film_key(clip, lane, sighted)
    moved = replace(sighted, track=replace(sighted.track, xy_px=sighted.track.xy_px + 1.0))
    assert key == film_key(clip, lane, sighted) != film_key(clip, lane, moved)


def test_what_is_around_a_light_stays_within_the_picture():
    picture = np.arange(270 * 480, dtype=np.int64).reshape(270, 480) % 251
    for place in ((3.0, 3.0), (240.0, 135.0), (478.6, 268.9)):
        part, (x, y) = around(picture.astype(np.uint8), np.array(place))
        assert part.shape == NEAR_PX[::-1]
        assert part[0, 0] == picture[y, x]
        assert x <= place[0] <= x + NEAR_PX[0] and y <= place[1] <= y + NEAR_PX[1]
