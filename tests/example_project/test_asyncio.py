"""The same in asyncio: the loop goes on while the test waits."""

import asyncio

import pytest

FRAME = b'\n4FB50027"ADM-CID"0001L0#4471[#4471|1131 01 015]\r'


@pytest.mark.farend_book("house.toml")
async def test_what_an_asyncio_client_sends_is_heard(farend_bench):
    reader, writer = await asyncio.open_connection(farend_bench.host, farend_bench.tcp_port)
    waiting = asyncio.create_task(farend_bench.wait_for_async(account="4471", zone="015"))
    writer.write(FRAME)
    assert b'"ACK"0001L0#4471[]' in await reader.readuntil(b"\r")
    assert (await waiting)["verdict"] == "accepted"
    writer.close()
    await writer.wait_closed()
