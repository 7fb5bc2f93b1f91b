"""What a survey reads: recordings by path, folder, glob or address, in one order."""

from __future__ import annotations

import glob
import importlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import Any

from busbench.capture.address import address_fault, is_address, local_path, need_fsspec
from busbench.capture.formats import read_suffixes
from busbench.errors import CaptureError

_MAGIC = ("*", "?", "[")


@dataclass(frozen=True, slots=True)
class Input:
    """One recording to be read.

    Args:
        path: as the person gave it, or found below what was given.
        place: where it is read from, wherever the worker runs.
        stamp: changes when the file does; empty where that is not known.
    """

    path: str
    place: str
    stamp: str


def find_inputs(paths: Iterable[str | os.PathLike[str]]) -> list[Input]:
    """All recordings that paths, folders, globs and addresses lead to, each once.

    Folders are searched with those inside them for names of recordings (`.pcapng`, `.csv`, `.vcd.gz` …); hidden files
    and `.parquet` have to be named.

    Args:
        paths: in any order; what they lead to is sorted for each.

    Raises:
        CaptureError: nothing is there.
    """
    found: dict[str, Input] = {}
    for given in paths:
        path = os.fspath(given)
        is_file = path[:7].lower() == "file://"
        for one in _remote(path) if is_address(path) and not is_file else _local(path):
            found.setdefault(one.place, one)
    return list(found.values())


def _local(given: str) -> Iterator[Input]:
    path = local_path(given.replace("?", "%3F")) if is_address(given) else given  # a pattern's, not that of a query
    if os.path.isdir(path):  # noqa: PTH112 - a name may be any text
        names = list(_below(path))
        if not names:
            raise CaptureError(given, "folder holds no recordings", hint="name the files, if they are called otherwise")
        yield from map(_file, names)
    elif os.path.exists(path):  # noqa: PTH110
        yield replace(_file(path), path=given)
    elif any(sign in path for sign in _MAGIC):
        names = sorted(name for name in glob.glob(path, recursive=True) if os.path.isfile(name))  # noqa: PTH207, PTH113
        if not names:
            raise CaptureError(given, "no file has such a name", hint="check the pattern and the folder")
        yield from map(_file, names)
    else:
        raise CaptureError(given, "file not found", hint="check the name and the folder")


def _below(folder: str) -> Iterator[str]:
    for parent, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        yield from (os.path.join(parent, name) for name in sorted(files) if _is_recording(name))  # noqa: PTH118


def _is_recording(name: str) -> bool:
    path = PurePosixPath(name)
    return not name.startswith(".") and path.suffix.lower() in read_suffixes() and ".parquet" not in path.suffixes


def _file(path: str) -> Input:
    try:
        state = os.stat(path)  # noqa: PTH116
        stamp = f"{state.st_size} {state.st_mtime_ns}"
    except OSError:
        stamp = ""
    return Input(path, os.path.abspath(path), stamp)  # noqa: PTH100


def _remote(address: str) -> Iterator[Input]:
    """What an address leads to: a folder if it ends in a slash, a pattern, else one recording."""
    if not address.endswith("/") and not any(sign in address.partition("://")[2] for sign in _MAGIC):
        yield Input(address, address, "")
        return
    need_fsspec(address)
    core: Any = importlib.import_module("fsspec.core")
    try:
        system, place = core.url_to_fs(address)
        is_folder = address.endswith("/")
        listed = system.find(place, detail=True) if is_folder else system.glob(place, detail=True)
    except Exception as error:  # each file system has errors of its own
        raise address_fault(address, error) from None
    names = [name for name in sorted(listed) if not is_folder or _is_recording(name.rpartition("/")[2])]
    if not names:
        raise CaptureError(address, "holds no recordings", hint="check the address; end a folder in /")
    for name in names:
        known = listed[name]
        stamp = " ".join(str(known[key]) for key in ("size", "ETag", "etag", "e_tag", "mtime") if known.get(key))
        full = system.unstrip_protocol(name)
        yield Input(full, full, stamp)
