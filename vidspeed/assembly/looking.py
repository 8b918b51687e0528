"""Look at all clips of a session through one executor: a bad clip is a problem of its own.

What is looked for is in `vidspeed.assembly.gather`; here stands what keeps one clip from harming
another, whatever its decoder does.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from concurrent.futures import CancelledError, Executor, Future

from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.drive import drive_of, driven
from vidspeed.assembly.faint import with_faint
from vidspeed.assembly.gather import Keeping, Looked, failed, look, undismissed
from vidspeed.errors import ClipError, WorkerError
from vidspeed.spread.executor import AGAIN, clip_words
from vidspeed.spread.memory import give_back, memory_within
from vidspeed.spread.progress import Tell, report
from vidspeed.values import Clip, Session

MEMORY_BYTES = 640 << 20  # what a worker may take for a clip beside its pictures
MEMORY_BYTES_PER_PIXEL = 160  # pictures a decoder and the search hold at once, at 2 bytes
CARD = (
    "look at the card, cable or drive it lies on, and copy it to a disk of this machine; then run "
    "again"
)
CLIPS = "clips"  # the step that all of them are
IMPORTS = "vidspeed.assembly.looking"  # what a worker can import while it waits


def handed_out(
    session: Session,
    cameras: Cameras,
    pool: Executor,
    keeping: Keeping | None = None,
    progress: Tell | None = None,
) -> list[Future[Looked]]:
    """Have every clip of a session looked at, in their order; tell how many are done."""
    done, futures = _Done(progress, len(session.clips)), []
    for clip in session.clips:
        futures.append(pool.submit(look_within_bounds, session, cameras, clip, keeping))
        futures[-1].add_done_callback(done.one_more)
    return futures


def looked_at(session: Session, futures: Sequence[Future[Looked]]) -> list[Looked]:
    """Return what was seen in every clip that was handed out, in the order of the session.

    A clip whose decoder ends its process, hangs or wants too much memory is an error of that clip
    alone, as is one over which this tool itself fails.
    """
    return [_looked(clip, future) for clip, future in zip(session.clips, futures, strict=True)]


class _Done:
    """Counts the clips that are done, whichever is first, and tells how many of all that is."""

    def __init__(self, progress: Tell | None, total: int) -> None:
        self._progress, self._total, self._count = progress, total, 0
        self._turn = threading.Lock()
        if progress is not None:
            progress(CLIPS, 0, total)

    def one_more(self, future: Future[Looked]) -> None:
        """Count a clip; a future is told of whoever did the work, at once."""
        with self._turn:
            self._count += 1
            if self._progress is not None and not future.cancelled():
                self._progress(CLIPS, self._count, self._total)


def look_within_bounds(
    session: Session, cameras: Cameras, clip: Clip, keeping: Keeping | None = None
) -> Looked:
    """Look at one clip: the job that an executor is given."""
    report(clip.name, 0, 0)
    width, height = session.camera(clip.camera).image_size_px
    with memory_within(MEMORY_BYTES + MEMORY_BYTES_PER_PIXEL * width * height):
        looked = look(driven(session, clip), cameras, clip, report, keeping)
        give_back()  # what decoding took, before a solver with its libraries comes on top
        if not drive_of(session, clip):
            looked = with_faint(session, cameras, clip, looked, keeping)
        return undismissed(looked)  # last: what is seen in a clip is not for a user to say


def _looked(clip: Clip, future: Future[Looked]) -> Looked:
    """Return what a job found, or why it found nothing."""
    try:
        return future.result()
    except Exception as error:  # the others are measured, whatever it was
        return failed(clip, ClipError(_why(error)))


def _why(error: Exception) -> str:
    if isinstance(error, WorkerError):
        return clip_words(error)
    if isinstance(error, MemoryError):
        return f"more memory is needed for this clip than there is for it; {AGAIN}"
    if isinstance(error, OSError):
        return f"this clip could not be read ({error.strerror or error}); {CARD}"
    if type(error).__name__ == "KilledWorker":  # Dask's, which need not be installed
        return f"the decoder ended the cluster's workers that looked at it; {AGAIN}"
    if isinstance(error, CancelledError):
        return "the cluster gave its job up, or its scheduler is gone; run again"
    return (
        f"this clip could not be looked at: {type(error).__name__}: {error}; this is a fault of "
        "vidspeed, not of yours: please send the clip to its authors"
    )
