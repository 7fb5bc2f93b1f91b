"""Compression of a growing recording: each part is a whole member, so a cut loses only the last one."""

from __future__ import annotations

import importlib
import struct
import sys
import zlib

SUFFIXES = (".gz", ".zst")
_ZSTD_MAGIC = 0xFD2FB528
_ZSTD_SHORT, _ZSTD_LONG = 0x20, 0x60  # one segment, its size in one byte or two


def pack(data: bytes, suffix: str) -> bytes:
    """Data as one member of .gz (RFC 1952) or .zst (RFC 8878)."""
    if suffix == ".gz":
        packer = zlib.compressobj(6, wbits=31)
        return packer.compress(data) + packer.flush()
    zstd = importlib.import_module("compression.zstd" if sys.version_info >= (3, 14) else "backports.zstd")
    return bytes(zstd.compress(data))


def store(data: bytes, suffix: str) -> bytes:
    """Data as one uncompressed member, whose length depends only on the data's, so that it can be overwritten in place.

    Args:
        data: up to 65,791 bytes.
        suffix: as in pack.
    """
    if suffix == ".gz":
        packer = zlib.compressobj(0, wbits=31)
        return packer.compress(data) + packer.flush()
    is_short = len(data) < 256
    size = struct.pack("<BB", _ZSTD_SHORT, len(data)) if is_short else struct.pack("<BH", _ZSTD_LONG, len(data) - 256)
    head = struct.pack("<I", _ZSTD_MAGIC) + size
    return head + struct.pack("<I", len(data) << 3 | 1)[:3] + data  # one raw block, the last
