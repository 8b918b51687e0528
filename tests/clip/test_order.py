"""What is known of the order of storing does not grow with a clip."""

from types import SimpleNamespace

from vidspeed.clip.order import LATE, Damage


def _packet(stamp):
    return SimpleNamespace(
        size=1, is_discard=False, pts=stamp, dts=stamp, is_keyframe=stamp % 60 == 0
    )


def _frame(stamp, *, corrupt=False):
    return SimpleNamespace(pts=stamp, is_corrupt=corrupt)


def test_places_of_packets_are_forgotten_once_their_frames_have_come():
    damage = Damage()
    for stamp in range(3 * LATE):
        damage.sent(_packet(stamp))
        if stamp >= 16:  # that many wait to be put in order
            assert damage.passes(_frame(stamp - 16))
    assert len(damage._place) <= LATE
    assert damage.damaged == damage.skipped == 0


def test_damage_late_in_a_long_clip_spoils_what_rests_on_it_all_the_same():
    damage = Damage()
    good = []
    for stamp in range(2 * LATE):
        damage.sent(_packet(stamp))
        good.append(damage.passes(_frame(stamp, corrupt=stamp == 1930)))
    assert [stamp for stamp, whole in enumerate(good) if not whole] == list(range(1930, 1980))
