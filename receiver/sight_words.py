"""What is in a recording, in sentences and tables: said once, for a terminal and for a page."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import NamedTuple

from protocols.values import legible
from receiver.measures import spoken_time
from receiver.sight import AccountSight, Sight, Times

MOST_HOSTS = 3  # of an account that are named
WORDS = ("ACK", "NAK", "DUH")


class Sheet(NamedTuple):
    """One table: its heads, of which the first `text` stand left and the others are figures; and what is to be known."""

    title: str
    heads: tuple[str, ...]
    rows: list[list[str]]
    text: int
    note: str = ""


def many(number: int, one: str, more: str = "") -> str:
    return f"{number:,} {one if number == 1 else more or one + 's'}"


def at(moment: datetime) -> str:
    """`2026-11-25 09:58:20`, UTC."""
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M:%S}"


def took(seconds: float | None) -> str:
    """A length of time to three digits: `0.66 ms`, `1.28 s`, `3 min`."""
    if seconds is None:
        return "–"
    if seconds >= 100:
        return spoken_time(seconds)
    value, unit = (seconds, "s") if seconds >= 1 else (seconds * 1000, "ms")
    text = f"{value:.{2 if value < 10 else 1 if value < 100 else 0}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit}"


def sentence(sight: Sight) -> str:
    """All of it in a sentence or two."""
    if sight.began is None or sight.ended is None:
        return "Nothing is in it."
    total = sight.total()
    unread = total.frames - total.messages - total.polls
    parts = [
        f"{many(total.messages, 'message')} with {many(total.signals, 'signal')}",
        many(total.polls, "poll"),
        *([f"{unread:,} that cannot be read"] if unread else []),
        many(total.answers, "answer") if total.answers else "no answer",
    ]
    noise = f", {many(total.noise, 'run')} of noise ({many(total.noise_bytes, 'byte')})" if total.noise else ""
    lost = f", and {many(total.lost_bytes, 'byte')} that the recording lacks" if total.lost_bytes else ""
    end = at(sight.ended)
    end = end[11:] if sight.ended.date() == sight.began.date() else end
    return (
        f"{at(sight.began)} to {end} UTC, {took(sight.seconds)}: "
        f"{many(total.frames, 'frame')} of {many(len(sight.accounts), 'account')}: {', '.join(parts)}{noise}{lost}."
    )


def remarks(sight: Sight) -> Iterator[str]:
    """What else a person should know."""
    total = sight.total()
    if total.frames and not total.answers:
        yield "It holds no answers, so nothing is said of them."
    if sight.foreign:
        told = ", ".join(f"{number:,} {legible(word)}" for word, number in sorted(sight.foreign.items()))
        yield (
            f"Answers that belong to no message here: {told}. "
            "(A sealed answer belongs to its message only once the book has the key.)"
        )
    if silent := sight.not_heard():
        told = ", ".join(f"{one.numbered} {one.name}" for one in silent[:10])
        rest = f" and {len(silent) - 10:,} more" if len(silent) > 10 else ""
        yield f"In the book, and not heard: {told}{rest}."
    if sight.crowd:
        yield f"{many(sight.crowd, 'frame')} of yet more accounts are counted in the totals alone."
    if sight.accounts and not sight.judging.book.accounts:
        yield "Without a book no account has a name, a key or promised polls, and the desk knows nobody; --book gives one."


def sheets(sight: Sight) -> list[Sheet]:
    """The tables; what would be empty is left out."""
    found = [
        _lines(sight), _accounts(sight), _sequences(sight), _answers(sight), _polls(sight), _clocks(sight),
        _problems(sight),
    ]  # fmt: skip
    return [one for one in found if one.rows]


def _each(sight: Sight) -> list[AccountSight]:
    return sorted(sight.accounts.values(), key=lambda one: one.number)


def _lines(sight: Sight) -> Sheet:
    rows = [
        [name, *(f"{number:,}" for number in line.to_json().values())] for name, line in sorted(sight.lines.items())
    ]
    heads = ("line", "frames", "messages", "signals", "polls", "answers", "noise", "bytes of it", "bytes lost")
    return Sheet("By line", heads, rows if len(rows) > 1 else [], 1)


def _accounts(sight: Sight) -> Sheet:
    hours = sight.seconds / 3600
    rows = []
    for one in _each(sight):
        hosts = [legible(host) for host, _ in one.hosts.most_common(MOST_HOSTS)]
        more = len(one.hosts) - len(hosts)
        count, minute = one.busiest
        rows.append([
            one.number,
            one.name or "not in the book",
            ", ".join(f"{legible(token)} {number:,}" for token, number in one.tokens.most_common()),
            f"{', '.join(hosts)}{f' and {more:,} more' if more else ''}",
            f"{one.sealed:,} of {one.frames:,}" if one.sealed else "none",
            f"{one.messages / hours:,.1f}" if hours >= 1 else "–",
            f"{count:,} at {minute:%H:%M}" if minute else "–",
        ])  # fmt: skip
    heads = ("account", "name", "frames by token", "from", "sealed", "messages an hour", "busiest minute")
    return Sheet("Accounts", heads, rows, 4)


def _sequences(sight: Sight) -> Sheet:
    rows = []
    for one in _each(sight):
        for path, count in one.in_scope().items():
            repeats = one.repeats if path is None or path == next(iter(one.in_scope())) else Times()
            if not (count.gaps or count.late or count.restarts or count.reused or repeats.number):
                continue
            gap = count.largest
            rows.append([
                one.number + (f" {path}" if path else ""),
                f"{gap.missing:,} after {gap.before:04d}, before frame {gap.number:,}" if gap else "–",
                *(f"{number:,}" for number in (count.gaps, count.missing, count.late, count.restarts, count.reused)),
                f"{repeats.number:,}",
                f"{took(repeats.percentile(50))}, {took(repeats.longest)}" if repeats.number else "–",
            ])  # fmt: skip
    heads = (
        *("account", "largest gap", "gaps", "missing", "came late", "restarts", "reused", "repeats"),
        "median, longest after",
    )
    note = (
        "A number is missing that was skipped and did not come late. A panel may count over all its paths or on each: "
        "told is the one by which less is missing."
    )
    return Sheet("Sequence and repeats", heads, rows, 2, note)


def _answers(sight: Sight) -> Sheet:
    rows = []
    for one in _each(sight):
        compared = one.known or sight.judging.book.accounts
        differ = "; ".join(
            f"{recorded} for {desk}: {times:,}"
            for (recorded, desk), times in sorted(one.differences().items() if compared else ())
        )
        rows.append([
            one.number,
            differ or ("0" if compared else "–"),
            *(f"{one.answers[word]:,}" for word in WORDS),
            f"{one.unanswered:,}",
            *(took(one.delays.percentile(percent)) for percent in (50, 99)),
            took(one.delays.longest if one.delays.number else None),
        ])  # fmt: skip
    heads = ("account", "not as the desk", *WORDS, "unanswered", "delay: median", "p99", "longest")
    note = "Not as the desk: the recorded answer, for the one that the desk of this book would have given."
    return Sheet("Answers", heads, rows if sight.total().answers else [], 2, note)


def _polls(sight: Sight) -> Sheet:
    rows = []
    for one in _each(sight):
        for path in one.paths.values():
            if not path.polls and not path.promise:
                continue
            longest, promise = path.longest, path.promise
            rows.append([
                one.number,
                legible(path.name) or "any",
                f"{took(longest.seconds)}, from {at(longest.began)}" if longest else "–",
                f"{path.polls:,}",
                took(path.intervals.percentile(50)),
                f"{spoken_time(promise.interval)} + {spoken_time(promise.tolerance)}" if promise else "nothing",
                "–" if path.late is None else f"{path.late:,}",
            ])  # fmt: skip
    heads = ("account", "path", "longest interval", "polls", "median", "promised", "late")
    note = (
        "Late: so often nothing that was acknowledged came over the path for longer than promised, with the tolerance; "
        "silence until the end of the recording counts too."
    )
    return Sheet("Polls", heads, rows, 3, note)


def _clocks(sight: Sight) -> Sheet:
    rows = []
    for one in _each(sight):
        clock = one.clock
        if clock.began:
            drift = clock.drift
            rows.append([
                one.number,
                f"{clock.line.number:,}",
                f"{clock.first:+.1f} s",
                f"{clock.last:+.1f} s",
                f"{drift[0]:+.2f} ± {drift[1]:.2f} s a day" if drift else "–",
            ])  # fmt: skip
    heads = ("account", "stamps", "first", "last", "drift")
    note = (
        "Stamp less arrival by the recording's clock, above 0 where the panel is ahead; a stamp counts whole seconds, so a "
        "right clock shows 0 to −1 s, less the way. Drift: the slope of the least-squares line through all of them, with "
        "its standard error, told from 3 stamps over an hour on; a large error says that the clock was set meanwhile."
    )
    return Sheet("Panel clocks", heads, rows, 1, note)


def _problems(sight: Sight) -> Sheet:
    rows = [
        [rule, f"{one.detail} (frame {one.frame:,}{', an answer' if one.by == 'receiver' else ''}: {one.raw})",
         f"{one.times:,}"]
        for rule, one in sorted(sight.problems.items())
    ]  # fmt: skip
    heads = ("rule", "the first", "times")
    return Sheet("Problems", heads, [[legible(cell) for cell in row] for row in rows], 2)
