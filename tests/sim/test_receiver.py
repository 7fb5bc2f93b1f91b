"""The same seed, the same bytes; what is set is what comes."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np
import pytest

from busbench.bench.sources import open_live
from busbench.errors import PortError
from busbench.line import Chunk
from busbench.model import ByteLog, Clock, ClockKind, Reason
from busbench.sim.address import KEYS, parse_virtual, read_settings
from busbench.sim.line_faults import Episodes, Noise, OutageSpan, add_noise
from busbench.sim.playback import Reads
from busbench.sim.receiver import ReceiverSettings, adapter_blocks, line_blocks
from busbench.sim.stick_motion import Hand, Pilot, seeded_rng
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.framing import find_frames
from busbench.wire.table import AlignmentResult

PER_READ = Clock(ClockKind.PER_READ, 1)
QUIET = ReceiverSettings(duration_s=20.0)


def everything(settings: ReceiverSettings) -> list[Chunk]:
    return Reads(settings).take(1 << 62, most=1 << 40)


def found(settings: ReceiverSettings) -> AlignmentResult:
    return find_frames(ByteLog.from_chunks(everything(settings)), clock=PER_READ)


def digest(settings: ReceiverSettings) -> str:
    total = hashlib.sha256()
    for chunk in everything(settings):
        total.update(b"%d %d %d;" % (chunk.t_ns, len(chunk.data), sum(chunk.bad)) + chunk.data)
    return total.hexdigest()[:16]


ALL_AT_ONCE = ReceiverSettings(
    jitter_s=50e-6,
    dither=0.1,
    has_slots=True,
    lost_rate=20,
    failsafe_rate=5,
    gap_rate=10,
    noise=Noise(0.001, 0.001, 0.001, 0.0003),
    chatter=50,
    batch_s=0.001,
    join_s=0.005,
    duration_s=30.0,
)


def test_the_same_seed_gives_the_same_bytes_and_times() -> None:
    assert digest(ALL_AT_ONCE) == digest(ALL_AT_ONCE)
    assert digest(ALL_AT_ONCE) != digest(replace(ALL_AT_ONCE, seed=2))


def test_bytes_do_not_change_from_version_to_version() -> None:
    # Recordings and reports name a seed: it must mean the same next year.
    assert digest(replace(QUIET, hand=Hand.STILL, jitter_s=1e-5)) == "bb80301be05f973c"
    assert digest(replace(QUIET, has_slots=True, period_s=0.015)) == "d8d6d2ddae338fde"


@pytest.mark.parametrize(
    ("settings", "kept"),
    [
        (ALL_AT_ONCE, "ddbfe9b3007455b7"),
        (replace(QUIET, jitter_s=2e-4, join_s=0.01), "b8cbea45450310cf"),
        (replace(QUIET, hand=Hand.MOVING, dither=0.3, has_slots=True), "754b86376f64c6ef"),
        (
            replace(
                QUIET,
                lost=(OutageSpan(1, 0.5), OutageSpan(3, 1)),
                failsafe=(OutageSpan(2, 1),),
                gaps=(OutageSpan(4, 1),),
            ),
            "3e0241bdccfa4daa",
        ),
        (replace(QUIET, lost_rate=60, failsafe_rate=20, gap_rate=30), "84fe7ea9199ade98"),
        (replace(QUIET, noise=Noise(flips=0.01)), "a2b05f92eb52e5fb"),
        (replace(QUIET, noise=Noise(drops=0.01)), "aad07c62ab789755"),
        (replace(QUIET, noise=Noise(extras=0.01)), "db9b062c1e01a3c2"),
        (replace(QUIET, noise=Noise(bursts=0.01), has_marks=False), "ef37959dd2103b29"),
        (replace(QUIET, chatter=200), "b702fb2f45fa5aca"),
        (replace(QUIET, chatter=5000, has_frames=False), "2e504cc61bedeba7"),
        (replace(QUIET, batch_s=0.016, has_slots=True), "9d74e9a079632029"),
        (replace(QUIET, is_inverted=True), "f7d196f1d9113f19"),
        (replace(QUIET, baud=115_200, noise=Noise(flips=0.001)), "9a7ea677176ab57c"),
        (replace(QUIET, period_s=0.02, seed=7), "a215c7f016a47859"),
    ],
)
def test_each_setting_gives_the_bytes_and_times_it_gave(settings: ReceiverSettings, kept: str) -> None:
    assert digest(replace(settings, duration_s=6.0)) == kept


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (ReceiverSettings(period_s=0.00324), ""),
        (ReceiverSettings(period_s=0.00323), "period 3.23 ms is too short: with these settings a frame needs 3.2 ms"),
        (ReceiverSettings(period_s=0.00354, jitter_s=5e-5), ""),
        (ReceiverSettings(period_s=0.00353, jitter_s=5e-5),
         "period 3.53 ms is too short: with these settings a frame needs 3.5 ms"),
        (ReceiverSettings(period_s=0.00583, has_slots=True), ""),
        (ReceiverSettings(period_s=0.00581, has_slots=True),
         "period 5.81 ms is too short: with these settings a frame needs 5.8 ms"),
        (ReceiverSettings(period_s=1.0, batch_s=1.0), ""),
        (ReceiverSettings(period_s=1.01), "period 1.01 s is too long: give up to 1s, as in 14ms"),
        (ReceiverSettings(batch_s=1.01), "batch 1.01 s is too long: give up to 1s, as in 16ms"),
        (ReceiverSettings(dither=1.0, noise=Noise(1.0, 1.0, 1.0, 1.0)), ""),
        (ReceiverSettings(dither=1.01), "dither 1.01 is not a share: give 0 to 1, or as in 0.1%"),
        (ReceiverSettings(dither=-0.01), "dither -0.01 is not a share: give 0 to 1, or as in 0.1%"),
        (ReceiverSettings(noise=Noise(drops=2)), "drops 2 is not a share: give 0 to 1, or as in 0.1%"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_at_its_limit(settings: ReceiverSettings, words: str) -> None:
    if not words:
        settings.check("S")
        return
    with pytest.raises(PortError) as refused:
        settings.check("S")
    assert str(refused.value).startswith(f"S: {words}")


def test_however_it_is_asked_for_the_reads_are_the_same() -> None:
    whole = everything(ALL_AT_ONCE)
    reads, pieces = Reads(ALL_AT_ONCE), []
    for until_ms in range(0, 30_100, 7):
        pieces += reads.take(until_ms * 1_000_000, most=3)
        pieces += reads.take(until_ms * 1_000_000)
    assert pieces == whole
    assert reads.is_over


def test_a_clean_receiver_is_read_without_loss() -> None:
    frames = found(QUIET).frames
    assert len(frames) == 1429  # 20 s of 14 ms, the last whole within them
    assert np.array_equal(frames.t_ns, np.arange(1429) * 14_000_000 + 3_000_000)
    assert not frames.flags[: int(2 / 0.014)].astype(bool).any()


def test_line_and_adapter_agree() -> None:
    line = np.concatenate([log.data for log in line_blocks(ALL_AT_ONCE)])
    for batch_s in (0.0, 0.001, 0.016):
        logs = list(adapter_blocks(replace(ALL_AT_ONCE, batch_s=batch_s)))
        assert np.array_equal(np.concatenate([log.data for log in logs]), line)
        ends = np.concatenate([log.mark_end for log in logs])
        times = np.concatenate([log.mark_t_ns for log in logs])
        assert (np.diff(ends) > 0).all()
        assert (np.diff(times) >= 0).all()
        assert ends[-1] == line.size
        assert [log.offset for log in logs] == np.cumsum([0, *map(len, logs)])[:-1].tolist()


@pytest.mark.parametrize(("batch_ms", "most"), [(1, 9), (16, 62)])
def test_batches_come_at_the_timer_or_when_a_packet_is_full(batch_ms: int, most: int) -> None:
    chunks = everything(replace(QUIET, batch_s=batch_ms / 1e3, period_s=0.007))
    full = [chunk for chunk in chunks if len(chunk.data) == 62]
    others = [chunk for chunk in chunks if len(chunk.data) != 62]
    assert max(len(chunk.data) for chunk in chunks) <= most
    assert all(chunk.t_ns % (batch_ms * 1_000_000) == 0 for chunk in others)
    assert bool(full) is (batch_ms == 16)
    assert len(found(replace(QUIET, batch_s=batch_ms / 1e3, period_s=0.007)).frames) == 2857


def test_episodes_come_when_they_are_called_for() -> None:
    settings = replace(
        QUIET,
        lost=(OutageSpan(2, 0.5), OutageSpan(15, 0.014)),
        failsafe=(OutageSpan(5, 1.4),),
        gaps=(OutageSpan(10, 0.28),),
        hand=Hand.MOVING,
    )
    frames = found(settings).frames
    lost, failsafe = frames.flags & FLAG_LOST > 0, frames.flags & FLAG_FAILSAFE > 0
    start_s = frames.t_ns / 1e9 - 0.003
    assert failsafe.sum() == 100
    assert start_s[failsafe][0] == pytest.approx(5.012)
    assert (lost & ~failsafe).sum() == 36 + 1
    steps = np.diff(frames.t_ns)
    assert sorted(set(steps.tolist())) == [14_000_000, 294_000_000]
    assert len(frames) == 1429 - 20
    # A lost frame repeats what was there; failsafe goes to values of its own.
    held = np.flatnonzero(lost & ~failsafe)[:36]
    assert (frames.channels[held] == frames.channels[held[0] - 1]).all()
    assert (frames.channels[failsafe] == 992).all()


def test_slots_as_seen_on_one_receiver() -> None:
    result = found(replace(QUIET, has_slots=True, period_s=0.015))
    assert result.frames.end[:8].tolist() == [0x04, 0x14, 0x24, 0x34] * 2
    replies = result.rejects.of(Reason.SLOT)
    assert len(replies) == len(result.rejects)
    assert 0.4 < len(replies) / len(result.frames) < 0.6
    line = next(line_blocks(replace(QUIET, has_slots=True, period_s=0.015)))
    threes = np.flatnonzero(np.diff(line.mark_t_ns) > 1_000_000) + 1
    first = next(int(at) for at in threes if line.data[at] == 3)
    assert 2_100_000 <= line.mark_t_ns[first] - line.mark_t_ns[first - 1] <= 2_400_000


def test_jitter_is_as_wide_as_asked_for() -> None:
    line = replace(QUIET, jitter_s=100e-6, duration_s=200.0)
    starts = np.concatenate([log.mark_t_ns[::25] for log in line_blocks(line)])
    off = starts - starts.size * [120_000] - np.arange(starts.size) * 14_000_000
    assert np.std(off[1:]) == pytest.approx(100_000, rel=0.03)
    assert np.abs(off).max() <= 300_000


def test_nobody_begins_to_listen_at_a_frame() -> None:
    chunks = everything(replace(QUIET, join_s=0.0015))
    assert chunks[0].t_ns == 1_500_000
    assert len(chunks[0].data) == 12


@pytest.mark.parametrize(
    ("noise", "wanted"),
    [
        (Noise(flips=1.0), {"size": 1000, "changed": 1000, "marked": 1000}),
        (Noise(drops=1.0), {"size": 0, "changed": 0, "marked": 0}),
        (Noise(), {"size": 1000, "changed": 0, "marked": 0}),
    ],
)
def test_noise_does_what_it_says(noise: Noise, wanted: dict[str, int]) -> None:
    data = np.zeros(1000, np.uint8)
    _, out, bad = add_noise(np.arange(1000), data, noise, seeded_rng(1, stream=1))
    assert {"size": out.size, "changed": np.count_nonzero(out), "marked": int(bad.sum())} == wanted


def test_extra_bytes_stand_behind_their_own() -> None:
    t_ns = np.arange(1000, dtype=np.int64)
    times, out, _ = add_noise(t_ns, np.full(1000, 7, np.uint8), Noise(extras=1.0), seeded_rng(1, stream=1))
    assert out.size == 2000
    assert (out[::2] == 7).all()
    assert np.array_equal(times[::2], t_ns)


def test_bursts_leave_the_rest_alone() -> None:
    settings = replace(QUIET, noise=Noise(bursts=0.001), duration_s=60.0)
    result = found(settings)
    clean = found(replace(settings, noise=Noise()))
    assert 0.9 * len(clean.frames) < len(result.frames) < len(clean.frames)


def test_the_pilot_moves_smoothly_and_all_over() -> None:
    t_s = np.arange(0, 120, 0.007)
    counts, flags = Pilot(Hand.MOVING, seed=3).positions(t_s)
    assert (np.ptp(counts, axis=0) > 1000).all()
    assert set(flags.tolist()) == {0, 1, 2, 3}
    assert counts.min() >= 172
    assert counts.max() <= 1811
    assert np.abs(np.diff(counts[:, :14].astype(int), axis=0)).max() < 150
    still, quiet = Pilot(Hand.STILL, seed=3).positions(t_s)
    assert (still == 992).all()
    assert not quiet.any()
    mixed, _ = Pilot(Hand.MIXED, seed=3).positions(t_s)
    assert (np.ptp(mixed, axis=0) > 0).tolist() == [True] * 8 + [False] * 8


def test_the_pilot_does_the_same_in_other_steps() -> None:
    t_s = np.arange(0, 60, 0.014)
    whole, _ = Pilot(Hand.MOVING, seed=3).positions(t_s)
    pilot = Pilot(Hand.MOVING, seed=3)
    parts = [pilot.positions(part)[0] for part in np.array_split(t_s, 77)]
    assert np.array_equal(np.concatenate(parts), whole)


def test_settings_as_text() -> None:
    settings, is_fast = parse_virtual("virtual:?period=15ms&seed=3&slots=on&lost=2:0.5,7:300ms&flips=0.1%&speed=max")
    assert settings == ReceiverSettings(
        period_s=0.015, seed=3, has_slots=True, lost=(OutageSpan(2, 0.5), OutageSpan(7, 0.3)), noise=Noise(flips=0.001)
    )
    assert is_fast
    assert parse_virtual("virtual:") == (ReceiverSettings(), False)


@pytest.mark.parametrize("key", KEYS, ids=lambda key: key.name)
def test_every_key_takes_its_own_example_and_no_nonsense(key: object) -> None:
    name, like = getattr(key, "name"), getattr(key, "like")  # noqa: B009
    assert read_settings({name: like}, source="x") is not None
    for nonsense in ("", "x", "-1", "nan"):
        with pytest.raises(PortError, match=f'x: {name}: "{nonsense}" is not understood; give it as in {name}={like}'):
            read_settings({name: nonsense}, source="x")


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ("virtual:?sed=3", '"sed" is not a setting: did you mean seed'),
        (
            "virtual:seed=3",
            '"seed=3" would be a virtual aircraft, which this command does not take:'
            " record it first, or give a receiver as in virtual:?period=14ms&seed=3",
        ),
        ("virtual:?period=14", "period 14 s is too long: give up to 1s, as in 14ms"),
        ("virtual:?batch=16", "batch 16 s is too long: give up to 1s, as in 16ms"),
        ("virtual:?period=3ms", "period 3 ms is too short: with these settings a frame needs 3.2 ms"),
        ("virtual:?period=5ms&slots=on", "period 5 ms is too short: with these settings a frame needs 5.8 ms"),
        ("virtual:?flips=200%", "flips 2 is not a share: give 0 to 1, or as in 0.1%"),
        ("virtual:?speed=warp", 'speed: "warp" is not understood; give real or max'),
    ],
)
def test_what_cannot_be_is_told(source: str, says: str) -> None:
    with pytest.raises(PortError) as caught:
        open_live(source)
    assert str(caught.value).startswith(f'"{source}": {says}')


def test_in_process_as_fast_as_it_goes() -> None:
    with open_live("virtual:?speed=max&duration=60s&batch=16ms") as live:
        chunks: list[Chunk] = []
        while not live.has_ended:
            chunks += live.read(0)
        assert [event.kind.value for event in live.events()] == ["opened"]
    zero = chunks[0].t_ns - 16_000_000
    wanted = everything(ReceiverSettings(duration_s=60.0, batch_s=0.016))
    assert [Chunk(chunk.t_ns - zero, chunk.data, chunk.bad) for chunk in chunks] == wanted
    with pytest.raises(PortError, match="the port is closed"):
        live.read(0)


def test_in_process_in_real_time() -> None:
    with open_live("virtual:?period=7ms&duration=101ms") as live:
        chunks: list[Chunk] = []
        while not live.has_ended:
            chunks += live.read(0.5)
    # However slow the machine: each read comes when it is due, none is lost.
    assert len(chunks) == 15
    assert {chunk.t_ns - chunks[0].t_ns - i * 7_000_000 for i, chunk in enumerate(chunks)} == {0}


def test_a_silent_receiver_does_not_hang() -> None:
    with open_live("virtual:?frames=off") as live:
        assert live.read(0.01) == []
        assert not live.has_ended
        with pytest.raises(PortError, match="does not listen"):
            live.transmit(None)  # type: ignore[arg-type]


@pytest.mark.parametrize("batch_s", [0.001, 0.016])
def test_batches_come_without_end(batch_s: float) -> None:
    """What is due within a second is there, though more bytes follow for ever."""
    endless = Reads(replace(QUIET, batch_s=batch_s, duration_s=None)).take(1_000_000_000, most=1 << 30)
    wanted = [one for one in everything(replace(QUIET, batch_s=batch_s)) if one.t_ns <= 1_000_000_000]
    assert endless == wanted
    assert len(wanted) > 60


def test_an_episode_lasts_from_its_start_to_before_its_end() -> None:
    episodes = Episodes(
        (OutageSpan(1, 0.5), OutageSpan(1.25, 1)), rate_per_min=0, length_s=(1, 2), random=seeded_rng(1, stream=1)
    )
    times = np.array([0.99, 1.0, 1.499, 1.5, 2.2499, 2.25, 2.26])
    assert episodes.during(times).tolist() == [False, True, True, True, True, False, False]
    assert episodes.during(np.array([2.3, 9.0])).tolist() == [False, False]


@pytest.mark.parametrize(("rate", "length_s"), [(6.0, (0.5, 2.5)), (3.0, (0.03, 0.3))])
def test_random_episodes_come_at_their_rate_and_length(rate: float, length_s: tuple[float, float]) -> None:
    episodes = Episodes((), rate_per_min=rate, length_s=length_s, random=seeded_rng(3, stream=1))
    inside = np.concatenate([episodes.during(part) for part in np.array_split(np.arange(0, 3600, 0.005), 50)])
    edges = np.flatnonzero(np.diff(inside.astype(int)))
    starts, ends = edges[::2], edges[1::2]
    lengths = (ends - starts[: ends.size]) * 0.005
    assert length_s[0] - 0.01 <= lengths.min() < lengths.max() <= length_s[1] + 0.01
    assert lengths.mean() == pytest.approx(sum(length_s) / 2, rel=0.1)
    apart_s = 60 / rate  # from the end of one to the start of the next
    assert ((starts[1:] - ends[: starts.size - 1]) * 0.005).mean() == pytest.approx(apart_s, rel=0.15)
