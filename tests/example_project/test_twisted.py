"""The same in Twisted: a Deferred, in a TestCase of its own."""

import pytest
from twisted.internet import reactor
from twisted.internet.endpoints import TCP4ClientEndpoint, connectProtocol
from twisted.internet.protocol import Protocol
from twisted.trial.unittest import TestCase

FRAME = b'\n4FB50027"ADM-CID"0001L0#4471[#4471|1131 01 015]\r'


class TestBench(TestCase):
    @pytest.fixture(autouse=True)
    def _bench(self, farend_bench_with):
        self.bench = farend_bench_with(book="house.toml")

    async def test_what_a_twisted_client_sends_is_heard(self):
        endpoint = TCP4ClientEndpoint(reactor, self.bench.host, self.bench.tcp_port)
        panel = await connectProtocol(endpoint, Protocol())
        panel.transport.write(FRAME)
        entry = await self.bench.wait_for_deferred(account="4471", code="131")
        assert entry["reply"] == "ACK"
        panel.transport.loseConnection()
