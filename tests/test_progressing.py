"""Progress says how fast it goes and how long it will take, without flooding a log."""

from vidspeed.cli.progressing import Lines, rate_and_left


def test_a_line_as_a_step_begins_and_then_now_and_then():
    said, seconds = [], iter([0.0, 1.0, 5.0, 26.0, 27.0, 28.0, 61.0, 100.0])
    lines = Lines(lambda text, err: said.append((text, err)), clock=lambda: next(seconds))
    lines.tell("clips", 0, 64)
    lines.tell("clips/a.mp4", 0, 0)
    lines.tell("clips", 1, 64)
    lines.tell("clips", 6, 64)  # 26 s: 6 done of 64
    lines.tell("clips", 7, 64)
    lines.tell("clips/a.mp4", 160, 0)  # how much there is is not known
    lines.tell("clips", 14, 64)
    lines.tell("clips/a.mp4", 320, 0)
    assert said == [
        ("clips", True),
        ("clips/a.mp4", True),
        ("clips: 6 of 64, 13.8/min, 0:04:11 left", True),
        ("clips: 14 of 64, 13.8/min, 0:03:38 left", True),
    ]


def test_what_is_there_at_the_beginning_was_not_done_by_us():
    seconds = iter([0.0, 30.0])
    said = []
    lines = Lines(lambda text, err: said.append(text), clock=lambda: next(seconds))
    lines.tell("hashing", 100, 200)
    lines.tell("hashing", 100, 200)
    assert said[-1] == "hashing: 100 of 200, no rate yet, time left not known"
    assert rate_and_left(5000, 100_000_000, 1.0)[1] == "5:33:20 left"
