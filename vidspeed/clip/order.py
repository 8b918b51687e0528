"""Follow the order in which frames are stored: their stamps, and what damage spoils after it."""

from __future__ import annotations

from array import array
from typing import Any

THREADS = 6  # of a decoder at the most, on every machine: by so many packets an error comes late
LATE = 1024  # packets after which no frame comes any more: far more than any decoder puts in order
COMPLETE = ("h264", "hevc", "mjpeg", "prores", "libdav1d", "av1")  # a picture for every packet


class Damage:
    """Which frames rest on damaged ones, and how many stored frames gave no good picture.

    Frames are known by the stamps of their packets. From a damaged packet on all frames are
    doubtful that are stored before the next key frame, and those that are stored behind that key
    frame but shown before it.
    """

    def __init__(self) -> None:
        self.damaged = 0
        self.skipped = 0
        self._place: dict[int, int] = {}  # of the latest packets, by their stamps
        self._group = array("q")  # of each packet: how many key frames came until then
        self._key_stamp: list[int] = []
        self._key_place: list[int] = []
        self._bad_from: dict[int, int] = {}  # by group: the first doubtful place
        self._given = 0
        self._good = False  # that a good frame has come

    def sent(self, packet: Any) -> None:
        """Note a packet that goes to the decoder."""
        if not packet.size or packet.is_discard:
            return
        stamp = packet.pts if packet.pts is not None else packet.dts
        if packet.is_keyframe or not self._group:
            self._key_stamp.append(int(stamp) if stamp is not None else 0)
            self._key_place.append(len(self._group))
        self._group.append(len(self._key_stamp) - 1)
        if stamp is not None:
            self._place[int(stamp)] = len(self._group) - 1
        while len(self._place) > LATE:
            del self._place[next(iter(self._place))]

    def failed(self) -> None:
        """Note that the decoder could make nothing of one of the latest packets."""
        self.damaged += 1
        last = len(self._group) - 1
        each_alone = len(self._key_place) == len(self._group) > 1
        if last >= 0 and not each_alone:
            early = max(0, last - THREADS)
            self._spoil(early)
            if self._group[last] != self._group[early]:
                self._spoil(self._key_place[self._group[last]])

    def passes(self, frame: Any) -> bool:
        """Say whether a frame is good, and count it where it is not."""
        stamp = None if frame.pts is None else int(frame.pts)
        place = None if stamp is None else self._place.get(stamp)
        self._given += 1
        if frame.is_corrupt:
            self.damaged += 1
            if place is not None and stamp is not None and self._spreads(place, stamp):
                self._spoil(place)
            return False
        if place is None or stamp is None or not self._doubtful(place, stamp):
            self._good = True
            return True
        self.skipped += 1
        return False

    def end(self, codec: str) -> None:
        """Count the packets that gave no picture though their decoder said nothing."""
        if codec in COMPLETE:
            self.damaged = max(self.damaged, len(self._group) - self._given)

    def _spreads(self, place: int, stamp: int) -> bool:
        """Say whether a damaged frame spoils others: not where decoding began in the middle."""
        return self._good and stamp >= self._key_stamp[self._group[place]]

    def _spoil(self, place: int) -> None:
        group = self._group[place]
        self._bad_from[group] = min(place, self._bad_from.get(group, place))

    def _doubtful(self, place: int, stamp: int) -> bool:
        group = self._group[place]
        leading = group - 1 in self._bad_from and stamp < self._key_stamp[group]
        return leading or place >= self._bad_from.get(group, place + 1)


class StoredOrder:
    """Stamps for frames of a file that has them only in the order of storing.

    A frame comes out when the decoder has been given the packet that is stored as many places
    later as frames wait to be put in order; encoders stamp that packet with the frame's own time
    and this delay. The last frames come out without a packet, and follow at the last step.
    """

    def __init__(self) -> None:
        self._began: int | None = None
        self._delay: int | None = None
        self._last: int | None = None
        self._step = 1

    def begin(self, packet: Any) -> None:
        """Note the stamp with which the stream begins."""
        if self._began is None and packet.dts is not None:
            self._began = int(packet.dts)

    def stamp(self, frame: Any) -> int | None:
        """Return the stamp of the next frame, None where nothing is known."""
        if self._began is None:
            return None
        if frame.dts is not None:
            if self._delay is None:
                self._delay = int(frame.dts) - self._began
            stamp = int(frame.dts) - self._delay
        else:
            stamp = self._began if self._last is None else self._last + self._step
        if self._last is not None and stamp > self._last:
            self._step = stamp - self._last
        self._last = stamp
        return stamp
