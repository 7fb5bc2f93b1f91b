"""What unpacking gives and refuses: limits from both sides, and faults of every kind of decompressor."""

from __future__ import annotations

import bz2
import gzip
import importlib
import io
import lzma
import sys
import zlib

import numpy as np
import pytest

from busbench.capture import compressed
from busbench.capture.compressed import CODECS, Codec, CompressedSource, codec_of, pack, store, unpacked_most
from busbench.capture.file_io import ObjectSource, read_head
from busbench.errors import CaptureError

zstd = importlib.import_module("compression.zstd" if sys.version_info >= (3, 14) else "backports.zstd")
NOISE = np.random.default_rng(4).bytes(70_000)


def source_of(data: bytes, codec: Codec | None = None) -> CompressedSource:
    codec = codec or codec_of(data)
    assert codec is not None
    return CompressedSource(ObjectSource(io.BytesIO(data), name="made"), codec)


def test_the_first_bytes_name_the_compression() -> None:
    """Magic numbers of RFC 1952, RFC 8878, the .xz file format 1.2.1 and bzip2."""
    heads = ("1f8b", "28b52ffd", "fd377a585a00", "425a68")
    assert [one.magic.hex() for one in CODECS] == list(heads)
    for codec in CODECS:
        assert codec_of(codec.magic) is codec
        assert codec_of(codec.magic[:-1]) is None
        assert codec_of(b"x" + codec.magic) is None


def test_an_unpacked_source_has_four_gigabytes_and_250_times_the_packed_bytes() -> None:
    assert [unpacked_most(packed) for packed in (0, 1, 1000)] == [4_294_967_296, 4_294_967_546, 4_295_217_296]


@pytest.mark.parametrize(("less", "is_read"), [(0, True), (1, False)])
def test_what_unpacks_to_more_is_cut_off(less: int, is_read: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    packed = gzip.compress(NOISE[:9_000] + bytes(11_000))
    monkeypatch.setattr(compressed, "_UNPACKED_FREE", 20_000 - 2 * len(packed) - less)
    monkeypatch.setattr(compressed, "_UNPACKED_RATIO", 2)
    source = source_of(packed)
    with source.open() as stream:
        view = memoryview(bytearray(30_000))
        assert stream.readinto(view[:10_000]) == 10_000
        assert source.fault() is None
        got = 10_000
        while more := stream.readinto(view[got:]):
            got += more
            assert stream.tell() == got
    assert view[:got] == NOISE[:9_000] + bytes(11_000)
    fault = source.fault()
    if is_read:
        assert fault is None
    else:
        assert fault is not None
        assert str(fault) == "made: unpacks to more than 0 MB, which no recording does: look where it comes from"


class Failing:
    """A decompressor that gives a byte, then an error."""

    eof, needs_input, unused_data = False, True, b""

    def __init__(self, error: Exception) -> None:
        self.error, self.calls = error, 0

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        assert max_length > 0
        self.calls += 1
        if self.calls > 1:
            raise self.error
        return data[:1]


MEMORY = "made: wants more than 128 MB of memory to be unpacked: unpack it first"
DAMAGE = "made: is damaged (odd): copy it again"


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (MemoryError(), MEMORY),
        (ValueError("Memory usage limit exceeded"), MEMORY),
        (ValueError("wrong data"), DAMAGE),
        (EOFError(), DAMAGE),
    ],
)
def test_the_fault_of_a_decompressor_ends_the_stream(error: Exception, said: str) -> None:
    source = source_of(b"a" * 20_000, Codec("odd", b"a", lambda: Failing(error)))
    for _ in range(2):  # each stream begins again
        assert read_head(source) == b"a"
        assert str(source.fault()) == said
        with source.open():
            assert source.fault() is None


@pytest.mark.parametrize("error", [CaptureError("made", "cannot be kept"), BrokenPipeError(32, "Broken pipe")])
def test_what_goes_wrong_below_is_passed_on(error: Exception) -> None:
    source = source_of(b"a" * 20_000, Codec("odd", b"a", lambda: Failing(error)))
    with pytest.raises(type(error)):
        read_head(source)
    assert source.fault() is None


@pytest.mark.parametrize("log_bytes", [27, 28])
def test_a_window_of_128_megabytes_is_the_largest(log_bytes: int) -> None:
    options = {zstd.CompressionParameter.window_log: log_bytes}
    packer = zstd.ZstdCompressor(options=options)
    source = source_of(packer.compress(NOISE) + packer.flush())
    found = read_head(source, most=100_000)
    if log_bytes == 27:
        assert (found, source.fault()) == (NOISE, None)
    else:
        assert (found, str(source.fault())) == (b"", MEMORY)


@pytest.mark.parametrize(("code", "is_read"), [(29, True), (30, False)])
def test_a_dictionary_of_96_megabytes_is_the_largest(code: int, is_read: bool) -> None:
    """Codes 29 and 30 in a block header are 96 and 128 MiB, beside which a decoder needs some more (.xz, 5.3.1)."""
    data = lzma.compress(b"A", filters=[{"id": lzma.FILTER_LZMA2, "dict_size": 1 << 16}])
    header = data[12:16] + bytes([code]) + data[17:20]
    source = source_of(data[:12] + header + zlib.crc32(header).to_bytes(4, "little") + data[24:])
    assert read_head(source) == (b"A" if is_read else b"")
    assert str(source.fault()) == ("None" if is_read else MEMORY)


@pytest.mark.parametrize("zeros", [0, 1, 5, 40_000])
@pytest.mark.parametrize("suffix", [".gz", ".zst"])
def test_zeros_between_and_after_members_are_passed_over(zeros: int, suffix: str) -> None:
    data = pack(b"one", suffix) + bytes(zeros) + store(b"two", suffix) + bytes(zeros)
    source = source_of(data)
    assert read_head(source) == b"onetwo"
    assert source.fault() is None


def test_a_member_that_ends_early_is_cut() -> None:
    for end in (1, 8, 9):
        source = source_of(gzip.compress(b"one") + gzip.compress(b"two")[:-end])
        assert read_head(source) in (b"onetwo", b"one")
        assert str(source.fault()) == "made: is cut (gzip): copy it again"


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
def test_a_stored_member_is_as_long_as_its_data_ask_for(suffix: str) -> None:
    for size in (0, 1, 255, 256, 65_535, 65_536, 65_791):
        made = [store(data, suffix) for data in (NOISE[:size], bytes(size), (b"ab" * 40_000)[:size])]
        assert read_head(source_of(made[0]), most=70_000) == NOISE[:size]
        assert len({len(one) for one in made}) == 1
        assert len(made[0]) - size < 40


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
def test_a_packed_member_is_small(suffix: str) -> None:
    assert len(pack(b"ab" * 40_000, suffix)) < 400
    assert read_head(source_of(pack(NOISE, suffix)), most=70_001) == NOISE


def test_every_compression_unpacks_its_members() -> None:
    for data in (bz2.compress(b"one") + bz2.compress(b"two"), lzma.compress(b"one") + bytes(4) + lzma.compress(b"two")):
        source = source_of(data)
        assert read_head(source) == b"onetwo"
        assert source.fault() is None
