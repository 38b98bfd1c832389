"""`farend hand-on`: what the bench kept, handed on to another program as it comes."""

import os
import signal
import sys
import threading
import time
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import urlsplit

import typer
from typer.main import get_group

from receiver.journal import JournalError, opened, public
from receiver.leaving import KINDS, Leaving
from receiver.supervision import span
from tools.common import CAUTION, JOURNAL, OUT, TALK, host_and_port, is_loopback, print_json, stop, within

WORDS = {"signals": "signal", "refused": "refused-alarm", "events": "event"}
END_SECONDS = 2.0  # that a consumer has to confirm what it was just sent
NO_SETTINGS = {"journal", "once", "until-stdin-closes", "help"}  # of a consumer beside a bench
assert set(WORDS.values()) == set(KINDS)

app = typer.Typer(
    invoke_without_command=True,
    rich_markup_mode=None,
    help="Hand on what the bench keeps to another program, as it comes, each at least once.\n\n"
    "Example: farend hand-on --journal station.journal --webhook https://desk.example/alarms --secret @desk.secret",
)
Where = Annotated[str, typer.Option("--journal", metavar="PATH_OR_URL", help="The journal.")]


@app.callback()
def hand_on(
    context: typer.Context,
    journal: Where = str(JOURNAL),
    tcp: Annotated[
        str | None, typer.Option(metavar="HOST:PORT", help="To a program that takes JSON Lines over TCP.")
    ] = None,
    webhook: Annotated[str | None, typer.Option(metavar="URL", help="To a program that takes signed POSTs.")] = None,
    mqtt: Annotated[str | None, typer.Option(metavar="HOST:PORT", help="To an MQTT 5 broker.")] = None,
    name: Annotated[
        str, typer.Option(metavar="NAME", help="What this consumer's place is called. Default: from its target.")
    ] = "",
    secret: Annotated[
        str | None, typer.Option(metavar="@FILE|env:NAME", help="Of a webhook: what its requests are signed with.")
    ] = None,
    topic: Annotated[
        str, typer.Option(help="Of MQTT: where to; {account} {kind} {origin} {mode} {event} are filled in.")
    ] = "farend/{mode}/{account}/{kind}",
    user: Annotated[str | None, typer.Option(metavar="NAME", help="Of MQTT: who we are.")] = None,
    password: Annotated[
        str | None, typer.Option(metavar="@FILE|env:NAME", help="Of MQTT: the password of --user.")
    ] = None,
    expiry: Annotated[
        int | None,
        typer.Option(min=1, metavar="SECONDS", help="Of MQTT: how long the broker keeps a message for who is away."),
    ] = None,
    tls: Annotated[bool, typer.Option("--tls", help="Over TLS (a webhook says so by https://).")] = False,
    trust: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Whose certificates are trusted (PEM). Default: the system's."),
    ] = None,
    in_clear: Annotated[
        bool, typer.Option("--in-clear", help="Without TLS to another machine, where everybody on the way may read it.")
    ] = False,
    what: Annotated[
        list[str] | None,
        typer.Option(metavar="signals|refused|events", help="Only these; may be repeated. Default: all three."),
    ] = None,
    with_: Annotated[
        list[str] | None,
        typer.Option("--with", metavar="proving|replay", help="What came from these, too; may be repeated."),
    ] = None,
    start: Annotated[
        str,
        typer.Option("--from", metavar="now|start|ROW", help="Where a consumer that has no place yet begins."),
    ] = "now",
    batch: Annotated[int, typer.Option(min=1, max=1000, help="Messages that go at once, at most.")] = 100,
    timeout: Annotated[float, typer.Option(help="Seconds to wait for a connection, and for a confirmation.")] = 30.0,
    once: Annotated[bool, typer.Option("--once", help="Hand on what is there, and end.")] = False,
    until_stdin_closes: Annotated[bool, typer.Option(hidden=True)] = False,
) -> None:
    """Hand on to one consumer, until SIGTERM: run one for each. It resumes where it stopped.

    `farend hand-on status` says how far each has come.
    """
    if context.invoked_subcommand is not None:
        return
    from receiver import consumers, hand_on

    within(timeout, "--timeout", 0.01, 3600.0)
    kind, target = _one(tcp=tcp, webhook=webhook, mqtt=mqtt)
    kinds = frozenset(WORDS[one] for one in _among(what or list(WORDS), WORDS, "--what"))
    held = frozenset(_among(with_ or [], ("proving", "replay"), "--with"))
    if kind == "webhook":
        consumer: Any = _webhook(target, secret, trust, in_clear, timeout)
    else:
        host, port = host_and_port(target, f"--{kind}")
        if not tls and not in_clear and not is_loopback(host):
            stop(
                f"--{kind} {target} is not this machine: say --tls, or --in-clear where everybody on the way may read it"
            )
        context_ = _trusting(trust) if tls else None
        if kind == "tcp":
            consumer = consumers.Lines(host, port, context_, timeout)
        else:
            if wrong := consumers.wrong_with_topic(topic):
                stop(f"--topic {topic!r}: {wrong}")
            if password is not None and user is None:
                stop("--password goes with --user")
            known = _secret(password, "--password").decode() if password else None
            whose = name or hand_on.name_of(kind, target)
            consumer = consumers.Mqtt(
                host,
                port,
                topic,
                f"farend-{hand_on.journal_id(journal)}-{whose}",
                user,
                known,
                context_,
                timeout,
                expiry,
            )
    shown = target.partition("?")[0]  # what follows may be a secret
    ending = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ending.set())
    if until_stdin_closes:
        _follow_stdin(ending)
    threading.Thread(target=_end_anyhow, args=(ending,), daemon=True).start()
    _tell(CAUTION)
    try:
        path = hand_on.place_file(journal, name or hand_on.name_of(kind, target))
        with hand_on.held(path):
            place = hand_on.read(path) if path.exists() else hand_on.Place(path.name.rpartition(".hand-on.")[2], shown)
            place = replace(place, target=shown, trouble=None, since=None)
            _tell(f"handing {public(journal)} on to {kind} {shown}, as {place.consumer}")
            hand_on.HandOn(
                journal, path, place, lambda: Leaving(kinds, held, journal=hand_on.journal_id(journal)), consumer,
                told=_tell, ending=ending, batch=batch, start=_start(start), once=once,
            ).run()  # fmt: skip
    except (hand_on.PlaceError, JournalError) as error:
        stop(str(error))
    except OSError as error:
        stop(f"the place of this consumer cannot be kept: {error.strerror}")


@app.command()
def status(
    journal: Where = str(JOURNAL),
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line on stdout.")] = False,
) -> None:
    """Say how far each consumer has come. Exit code 1 where one is in trouble, or nobody hands on to it.

    Example: farend hand-on status --journal station.journal
    """
    from receiver import hand_on

    good = True
    try:
        store, now = opened(journal), datetime.now(UTC)
        for place, runs in hand_on.places(journal):
            rows, seconds = hand_on.behind(store, place, now)
            if hand_on.strange(store, place):
                place = replace(place, trouble="its place is in another journal: give another --name")
            good = good and runs and place.trouble is None
            if as_json:
                told = {"consumer": place.consumer, "target": place.target, "row": place.row, "at": place.at}
                more = {"running": runs, "trouble": place.trouble, "since": place.since}
                print_json(told | {"behind_rows": rows, "behind_seconds": round(seconds, 3)} | more)
                continue
            late = f"{rows} rows behind, the first of them {span(seconds)} old" if rows else "up to date"
            since = f" (since {place.since})" if place.since else ""
            trouble = f"; {place.trouble}{since}" if place.trouble else ""
            OUT.print(f"{place.consumer:<20} {place.target}  row {place.row}, {late}"
                      f"{'' if runs else '; NOT RUNNING'}{trouble}", markup=False, soft_wrap=True)  # fmt: skip
    except (hand_on.PlaceError, JournalError) as error:
        stop(str(error))
    raise typer.Exit(0 if good else 1)


def settings_of(path: Path) -> dict[str, list[str]]:
    """The consumers in a file of settings, each with the options of its `farend hand-on`: the keys are their names."""
    try:
        found = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        stop(f"--hand-on {path}: {error.strerror}")
    except ValueError as error:
        stop(f"--hand-on {path}: {error}")
    consumers = found.pop("consumer", [])
    if found or not isinstance(consumers, list) or not all(isinstance(one, dict) for one in consumers):
        stop(f"--hand-on {path}: it holds tables [[consumer]], and nothing else")
    takes = {name.removeprefix("--") for one in get_group(app).params for name in one.opts} - NO_SETTINGS
    named: dict[str, list[str]] = {}
    for number, one in enumerate(consumers, 1):
        name = str(one.get("name", ""))
        if not name or name in named:
            stop(f"--hand-on {path}: consumer {number} has no name of its own")
        named[name] = []
        for key, value in one.items():
            if key not in takes:
                stop(f"--hand-on {path}: {name}: {key!r} is none of {', '.join(sorted(takes))}")
            if value is not False:
                values = value if isinstance(value, list) else [value]
                values = [_beside(path, key, each) for each in values]
                named[name] += [
                    part for each in values for part in (f"--{key}", *(() if each is True else (str(each),)))
                ]
    return named


def _beside(settings: Path, key: str, value: Any) -> Any:
    """A value, where it names a file: of that file beside the settings."""
    if key == "trust":
        return settings.parent / str(value)
    return f"@{settings.parent / value[1:]}" if key in ("secret", "password") and str(value)[:1] == "@" else value


def _one(**targets: str | None) -> tuple[str, str]:
    given = [(kind, target) for kind, target in targets.items() if target is not None]
    if len(given) != 1:
        stop("give one of --tcp, --webhook and --mqtt; each consumer has a process of its own")
    return given[0]


def _among(words: list[str], known: Any, option: str) -> list[str]:
    for word in words:
        if word not in known:
            stop(f"{option} {word!r} is none of {', '.join(known)}")
    return words


def _start(text: str) -> int | None:
    if text in ("now", "start"):
        return None if text == "now" else 0
    if not text.isdigit():
        stop(f"--from {text!r} is neither now, nor start, nor the number of a row")
    return int(text)


def _webhook(url: str, secret: str | None, trust: Path | None, in_clear: bool, timeout: float) -> Any:
    from receiver import consumers

    try:
        parts = urlsplit(url)
        good = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0 and url.isprintable()
    except ValueError:
        good = False
    if not good or " " in url or parts.username is not None:
        stop(f"--webhook {url!r} is no URL such as https://desk.example/alarms")
    if secret is None:
        stop("--webhook needs --secret @FILE or --secret env:NAME: what its requests are signed with")
    if parts.scheme == "http" and not in_clear and not is_loopback(parts.hostname or ""):
        stop(f"--webhook {url} is not this machine: use https://, or --in-clear where everybody on the way may read it")
    context = _trusting(trust) if parts.scheme == "https" else None
    return consumers.Webhook(url, _secret(secret, "--secret"), context, timeout)


def _secret(text: str, option: str) -> bytes:
    """What stands in a file, without the end of its line, or in a variable: never on the command line itself."""
    try:
        if text.startswith("@"):
            found = Path(text[1:]).read_bytes().rstrip(b"\r\n")
        elif text.startswith("env:"):
            found = os.environ[text[4:]].encode()
        else:
            stop(f"{option} is @FILE or env:NAME: on a command line everybody here could read it")
    except OSError as error:
        stop(f"{option} {text}: {error.strerror}")
    except KeyError:
        stop(f"{option} {text}: there is no such variable")
    if not found:
        stop(f"{option} {text} is empty")
    return found


def _trusting(trust: Path | None) -> Any:
    from receiver.consumers import verified

    try:
        return verified(trust)
    except OSError as error:  # ssl's own errors are of this kind
        stop(f"--trust {trust}: {error.strerror or error}")


def _follow_stdin(ending: threading.Event) -> None:
    """It belongs to a bench, and ends with it however that ends."""

    def wait() -> None:
        while os.read(
            sys.stdin.fileno(), 1024
        ):  # past Python's own buffer, whose lock an interpreter that ends would wait for
            pass
        ending.set()

    threading.Thread(target=wait, daemon=True).start()


def _end_anyhow(ending: threading.Event) -> None:
    """A consumer that says nothing must not keep the process: what it has not confirmed is sent again next time."""
    ending.wait()
    time.sleep(END_SECONDS)
    os._exit(0)


def _tell(what: str) -> None:
    TALK.print(f"{datetime.now(UTC):%H:%M:%S} farend: {what}", markup=False, soft_wrap=True)
