"""What coincides in several recordings, for people: the same words on the terminal and on a page."""

from __future__ import annotations

from busbench.analysis.several import Several
from busbench.errors import pluralize, sanitize, seconds

NAME_MOST = 28
_WORDS = {
    "yes": "yes: no more coincide than by chance",
    "no": "no: more coincide than chance explains: look for a common cause",
    "cannot tell": "unknown: too few outages came",
}


def sentences(found: Several) -> list[str]:
    """What coincides, a sentence each."""
    one = found.coincidence
    if one.end_s <= one.start_s:
        return ["the recordings have no time in common"]
    lines = [
        f"no receiver: {seconds(one.uncovered_s)} in all, {seconds(one.longest_uncovered_s)} at most at once;"
        f" {seconds(one.expected_by_chance_s)} expected by chance",
        f"independent: {_WORDS[one.independent]}; {one.coincident:,} of {pluralize(one.bursts, 'burst')}"
        f" coincide, {one.coincident_by_chance:.3g} expected by chance (p = {one.p_value:.2g})",
    ]
    for skew in found.skews:
        later, first = (sanitize(found.sources[number].name, most=NAME_MOST) for number in reversed(skew.sources))
        if skew.median_s is None or skew.low_s is None or skew.high_s is None:
            lines.append(f"skew of {later} to {first}: unknown: too few changes that both show")
        else:
            lines.append(
                f"skew of {later} to {first}: {skew.median_s * 1e3:+.2f} ms (5 to 95 %: {skew.low_s * 1e3:+.2f} to"
                f" {skew.high_s * 1e3:+.2f} ms, {pluralize(skew.matches, 'change')})"
            )
    return lines + [f"note: {note}" for note in found.notes]
