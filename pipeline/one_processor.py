"""Libraries that spread their work over all processors, held to one."""

from __future__ import annotations

import cv2
from threadpoolctl import threadpool_limits


def use_one_processor() -> None:
    """Hold this process's array libraries to one processor each, for as long as it lives.

    Where several processes share the work, more threads only get into each other's way: numpy's keep a processor
    busy with waiting after every product of matrices, which cost a scan a fifth of its time. OpenMP's libraries, Faiss
    among them, ask each thread that calls them: a thread of one's own calls this, too.
    """
    cv2.setNumThreads(1)
    threadpool_limits(1)
