"""`farend trial receiver`: play the panels against somebody else's receiver, case by case, and say what holds."""

import random
import ssl
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from protocols.dc09 import ACCOUNT
from protocols.exchange import LAST_SEQUENCE
from receiver.record import software
from receiver.trial import of_receiver
from receiver.trial.case import Case, chosen
from receiver.trial.of_receiver import examine, rehearse, run
from receiver.trial.report import Report
from receiver.trial.stage import Known, Setup, Sockets, Stage
from receiver.wire import Kind
from tools.common import TALK, check_trust, key_from, kind_of, stop, target, within
from tools.trial_talk import AsJson, Html, Junit, Listed, Only, Outlet, before, list_cases

SLOW = 0.1  # seconds: answers that take longer make the trial much longer than was said
HEX = "0123456789abcdefABCDEF"
MOST_WAIT = 300.0  # seconds: nobody would wait longer for one answer
USUAL_QUIET = 0.5


def receiver(
    receiver_at: Annotated[str, typer.Argument(metavar="HOST:PORT", help="The receiver.")] = "",
    account: Annotated[str | None, typer.Option(metavar="N", help="An account that the receiver knows.")] = None,
    key: Annotated[str | None, typer.Option(metavar="HEX|@FILE|env:NAME", help="Its AES key; else in clear.")] = None,
    clear_account: Annotated[
        str | None, typer.Option(metavar="N", help="An account in clear, beside one with a key.")
    ] = None,
    also: Annotated[
        list[str] | None,
        typer.Option(metavar="N[=KEY]", help="A further account, for other key lengths and numbers; may be repeated."),
    ] = None,
    unknown: Annotated[str, typer.Option(metavar="N", help="An account that the receiver does not know.")] = "0D0D0D",
    number: Annotated[
        str, typer.Option("--receiver", metavar="HEX", help="The receiver number R that it knows the accounts under.")
    ] = "",
    prefix: Annotated[str, typer.Option(metavar="HEX", help="The account prefix L that it knows them under.")] = "0",
    udp: Annotated[bool, typer.Option("--udp", help="Over UDP.")] = False,
    tls: Annotated[bool, typer.Option("--tls", help="Over TLS.")] = False,
    trust: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Check the receiver's certificate against this PEM.")
    ] = None,
    only: Only = None,
    wait: Annotated[float, typer.Option(metavar="S", help="Seconds that an answer may take, up to 300.")] = 5.0,
    quiet: Annotated[
        float | None,
        typer.Option(metavar="S", help=f"Seconds without an answer that count as silence; {USUAL_QUIET:g} by default."),
    ] = None,
    report: Html = None,
    junit: Junit = None,
    as_json: AsJson = False,
    listed: Listed = False,
    target_is_mine: Annotated[
        str | None, typer.Option(metavar="HOST", help="Say the target's host again: needed off this machine.")
    ] = None,
) -> None:
    """Try a receiver, case by case, each by its clause, and say of each whether it holds.

    The receiver must know the accounts. Put them on test first: what is sent are signals, and some are alarms. Give one
    account with a key and one in clear, and further ones for other key lengths, three and sixteen digits; a case whose
    account is missing does not apply.

    Exit code: 0 all that applies holds · 1 something fails or was not answered clearly · 2 could not run.

    Example: farend trial receiver 127.0.0.1:12009 --account 8C20 --key @key.hex --clear-account 4471 --report trial.html
    """
    every = of_receiver.cases()
    cases = list(chosen(every, only or ()))
    if not cases:
        stop(f"--only {' '.join(only or ())}: no case fits; farend trial receiver --list names them all")
    if listed:
        list_cases(cases, as_json)
        return
    if not receiver_at:
        stop("say which receiver, as HOST:PORT")
    if account is None:
        stop("--account N: say an account that the receiver knows")
    kind = kind_of(udp, tls)
    check_trust(trust, kind == "tls")
    within(wait, "--wait", 0.1, MOST_WAIT)
    if quiet is not None and within(quiet, "--quiet", 0.05, MOST_WAIT) > wait:
        stop(f"--quiet {quiet:g} is longer than --wait {wait:g}: silence would last longer than an answer may take")
    accounts = [_known("--account", account, key)]
    if clear_account is not None:
        accounts.append(_known("--clear-account", clear_account, None))
    accounts += [_known("--also", one.partition("=")[0], one.partition("=")[2] or None) for one in also or ()]
    _number("--unknown", unknown)
    for option, digits, least in (("--receiver", number, 0), ("--prefix", prefix, 1)):
        if not least <= len(digits) <= 6 or digits.strip(HEX):
            stop(f"{option} {digits!r} is no number of 1 to 6 hex digits")
    for twice, count in Counter(one.number.lstrip("0").upper() for one in (*accounts, Known(unknown))).items():
        if count > 1:
            stop(f"account {twice} is given twice")
    host, port = target(receiver_at, target_is_mine)
    outlet = Outlet(report, junit, as_json)
    setup = Setup(accounts, wait, min(USUAL_QUIET, wait) if quiet is None else quiet, unknown, number, prefix)
    setup.sequences |= {one.number: random.randrange(1, LAST_SEQUENCE) for one in (*accounts, Known(unknown))}
    before(_announced(cases, setup, kind, receiver_at))
    found = Report(
        subject="receiver", target=f"{receiver_at} over {kind.upper()}", accounts=[str(one) for one in accounts],
        began=datetime.now(UTC), ended=datetime.now(UTC), version=software(),
        only=only or (), chosen=len(cases), of=len(every),
    )  # fmt: skip
    reached = _play(cases, Sockets(host, port, kind, wait, trust), setup, found, outlet)
    found.ended = datetime.now(UTC)
    found.settings = [
        f"an answer may take {wait:g} s", f"silence is nothing for {setup.quiet:g} s",
        f"account {unknown} is taken for one that it does not know",
        f"accounts are under {f'R{number} ' if number else ''}L{prefix}",
    ]  # fmt: skip
    code = outlet.end(found)
    if not reached:
        stop(f"{receiver_at} could not be tried: {found.ended_why}")
    raise typer.Exit(code)


def _play(cases: list[Case[Stage]], link: Sockets, setup: Setup, found: Report, outlet: Outlet) -> bool:
    """Examine and run; what keeps cases from being tried stands in the report. False where nobody could be reached."""
    reached = True
    with outlet.watching(len(cases)) as bar:
        try:
            try:
                examined = examine(link, setup)
            except OSError as error:
                reached = False
                found.ended_why = f"no connection: {_unreached(error, link.kind)}"
            else:
                found.measured = examined.sentences
                found.ended_why = examined.why_not
                if setup.slowest > SLOW:
                    again = _length(rehearse(cases, setup, link.kind).seconds)
                    TALK.print(f"it answers slowly: this will take {again} rather", markup=False)
            if not found.ended_why:
                for result in run(cases, link, setup, bar.began):
                    found.results.append(result)
                    bar.judged(result)
                if len(found.results) < len(cases):
                    found.ended_why = "it answers nothing any more, not even a right message"
        except KeyboardInterrupt:
            found.ended_why = "it was stopped by hand"
        if found.ended_why:
            found.complete = False
            untried = len(cases) - len(found.results)
            found.ended_why += f"; {untried} of {len(cases)} cases were not tried"
    return reached


def _unreached(error: OSError, kind: Kind) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not one that --trust vouches for: {error.verify_message}"
    if kind == "tls" and isinstance(error, (TimeoutError, ssl.SSLError)):
        return f"no TLS came back ({error.strerror or error}): does it speak TLS on this port?"
    return error.strerror or str(error)


def _announced(cases: list[Case[Stage]], setup: Setup, kind: Kind, receiver_at: str) -> list[str]:
    effort = rehearse(cases, setup, kind)
    return [
        f"About to send some {effort.messages:,} messages to {receiver_at} over {kind.upper()}, in {len(cases)} cases, "
        f"{_length(effort.seconds)} where it answers at once.",
        f"Accounts: {', '.join(str(one) for one in setup.accounts)}; and {setup.unknown}, which it must not know.",
        "Mostly test reports; some are alarms, and many are broken on purpose.",
    ]


def _length(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"about {minutes} min" if minutes else "under a minute"


def _known(option: str, number: str, key: str | None) -> Known:
    _number(option, number)
    return Known(number, key_from(key))


def _number(option: str, number: str) -> None:
    if not ACCOUNT.fullmatch(number):
        stop(f"{option} {number!r} is no account number of 3 to 16 hex digits")
