"""Silence libraries that print from C++ or warn about themselves."""

from __future__ import annotations

import contextlib
import os
import warnings
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def silence_output() -> Iterator[None]:
    """Send what is written to standard output and error nowhere, and ignore warnings."""
    with Path(os.devnull).open("w") as sink, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        kept = os.dup(1), os.dup(2)
        os.dup2(sink.fileno(), 1)
        os.dup2(sink.fileno(), 2)
        try:
            yield
        finally:
            for end, copy in zip((1, 2), kept, strict=True):
                os.dup2(copy, end)
                os.close(copy)
