"""What a bench counts of itself, and the pages on which a monitor reads it: `/metrics`, `/health`, `/ready`.

    receive ──▶ Counts: a few sums on the way of a frame          a request ──▶ the sums, and a look at the bench, as text

No label is an account, a name, an address or anything that came over a wire.
"""

import time
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

import orjson

from receiver.record import software

if TYPE_CHECKING:
    from receiver.bench import Bench

COMMIT_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)
SAME_SECONDS = 1.0  # for so long a page of metrics is given again: whoever asks faster costs nothing
ASK_SECONDS = 10  # that somebody who connects has to ask
MOST_ASKING = 16
TEXT, JSON = "text/plain; version=0.0.4; charset=utf-8", "application/json"


class Counts:
    """Sums since the bench's start."""

    def __init__(self) -> None:
        self.frames: Counter[tuple[str, str]] = Counter()  # by line and verdict
        self.answers: Counter[tuple[str, str]] = Counter()  # by line and answer; those that were sent
        self.refused_alarms = 0
        self.failed = 0  # connections that said nothing that could be read
        self.limited: Counter[str] = (
            Counter()
        )  # what an address was refused, held back or not kept, by a word of `guard`
        self.noticed: Counter[str] = Counter()  # frames that come again, without their certificate, by an old key …
        self.clock_steps = 0
        self.commits = [0] * (len(COMMIT_SECONDS) + 1)  # by how long each took; one more for those beyond the last
        self.commit_seconds = 0.0

    def frame(self, line: str, verdict: str, reply: str, refused_alarm: bool) -> None:
        """One piece that was decided, and is kept if it is to be."""
        self.frames[line, verdict] += 1
        if reply != "none":
            self.answers[line, reply] += 1
        self.refused_alarms += refused_alarm

    def commit(self, seconds: float) -> None:
        """One commit of the journal."""
        self.commits[bisect_left(COMMIT_SECONDS, seconds)] += 1
        self.commit_seconds += seconds


class Page(NamedTuple):
    """What is answered to a request."""

    code: int
    kind: str
    body: bytes


class Pages:
    """The pages of one bench."""

    def __init__(self, bench: "Bench", tick: Callable[[], float] = time.monotonic) -> None:
        from prometheus_client import CollectorRegistry

        self._bench, self._tick, self._began = bench, tick, tick()
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(self)
        self._made: tuple[float, bytes] = (float("-inf"), b"")

    def page(self, path: str) -> Page:
        """The page of that path."""
        if path == "/metrics":
            from prometheus_client import generate_latest

            if self._tick() - self._made[0] >= SAME_SECONDS:
                self._made = self._tick(), generate_latest(self._registry)
            return Page(200, TEXT, self._made[1])
        of_itself = {"mode": self._bench.settings.mode, "software": software()}
        if path == "/health":  # that it is answered is the news
            return Page(200, JSON, orjson.dumps({"health": "ok"} | of_itself) + b"\n")
        if path == "/ready":
            why = list(self._bench.unready())
            return Page(503 if why else 200, JSON, orjson.dumps({"ready": not why, "why": why} | of_itself) + b"\n")
        return Page(404, JSON, orjson.dumps({"error": "there are /metrics, /health and /ready"}))

    def collect(self) -> Iterator[Any]:
        """What `prometheus_client` asks for."""
        from prometheus_client.core import CounterMetricFamily as Sums
        from prometheus_client.core import GaugeMetricFamily, HistogramMetricFamily, InfoMetricFamily

        bench, counts = self._bench, self._bench.counts

        def gauge(name: str, about: str, value: float) -> Any:
            return GaugeMetricFamily(f"farend_{name}", about, value=value)

        def total(name: str, about: str, label: str, found: Counter[str]) -> Any:
            family = Sums(f"farend_{name}", about, labels=[label])
            for word, count in list(found.items()):
                family.add_metric([word], count)
            return family

        yield InfoMetricFamily(
            "farend", "A bench tool, not a listed or approved receiver.",
            value={"version": software().partition(" ")[2], "mode": bench.settings.mode},
        )  # fmt: skip
        for name, about, label, found in (
            ("frames", "Pieces that were judged, by line and verdict.", "verdict", counts.frames),
            ("answers", "Answers that were sent, by line and answer.", "answer", counts.answers),
        ):
            family = Sums(f"farend_{name}", about, labels=["line", label])
            for words, count in list(found.items()):
                family.add_metric(list(words), count)
            yield family
        yield Sums("farend_refused_alarms", "Alarms that could be read and got no ACK.", value=counts.refused_alarms)
        yield gauge("connections_open", "Connections over TCP and TLS.", bench.connections)
        yield Sums("farend_connections_failed", "Connections that ended without a word.", value=counts.failed)
        yield total("limited", "What one address was refused, held back or not kept.", "what", counts.limited)
        yield total("noticed", "Frames that somebody should look at, by what is the matter.", "what", counts.noticed)
        journal = bench.journal
        yield gauge("journal_rows_waiting", "Rows that are not on disk yet.", journal.depth if journal else 0)
        yield gauge("journal_failing", "1 while the journal cannot write.", bool(journal and journal.failing))
        yield gauge("journal_rows_unkept", "Rows that wait for a disk that refuses.", journal.unkept if journal else 0)
        commits = HistogramMetricFamily("farend_journal_commit_seconds", "Commits of the journal.")
        sums: list[Any] = []
        below = 0
        for edge, count in zip((*map(str, COMMIT_SECONDS), "+Inf"), list(counts.commits), strict=True):
            below += count
            sums.append((edge, float(below)))
        commits.add_metric([], buckets=sums, sum_value=counts.commit_seconds)
        yield commits
        yield gauge("accounts", "Accounts in the book.", len(bench.book.accounts))
        yield gauge("accounts_on_test", "Accounts that are on test.", len(bench.memory.on_test))
        yield gauge("promises", "Polls and test reports that are promised.", len(bench.supervision))
        yield gauge("promises_overdue", "Promises that are overdue.", bench.supervision.overdue)
        yield Sums("farend_clock_steps", "Steps of this machine's clock.", value=counts.clock_steps)
        yield gauge("clock_doubtful", "1 until a step of the clock is confirmed.", bench.memory.clock_doubtful)
        yield gauge("uptime_seconds", "Since the bench's start.", self._tick() - self._began)


def serve(reactor: Any, pages: Pages, host: str, port: int, given: Any = None) -> Any:
    """Serve the pages over HTTP, at an address or on a socket that listens already; the port. Twisted's error if it cannot.

    They are made on the reactor's thread, some two milliseconds each and one a second at most; few may ask at once.
    """
    from twisted.protocols.policies import WrappingFactory
    from twisted.web.resource import Resource
    from twisted.web.server import Site

    class Root(Resource):
        isLeaf = True

        def render_GET(self, request: Any) -> bytes:
            code, kind, body = pages.page(request.path.decode("latin-1"))
            request.setResponseCode(code)
            request.setHeader(b"content-type", kind.encode())
            request.setHeader(b"cache-control", b"no-store")
            return body

    class Few(WrappingFactory):
        noisy = False

        def buildProtocol(self, addr: Any) -> Any:
            return super().buildProtocol(addr) if len(self.protocols) < MOST_ASKING else None

    site = Site(Root(), timeout=ASK_SECONDS)  # type: ignore[no-untyped-call]
    site.noisy = False
    site.log = lambda request: None  # type: ignore[method-assign]
    few = Few(site)  # type: ignore[no-untyped-call]
    if given is not None:
        with given:
            given.setblocking(False)
            return reactor.adoptStreamPort(given.fileno(), given.family, few)
    return reactor.listenTCP(port, few, interface=host)
