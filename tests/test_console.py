"""The console's door and what arrives: who comes in, what guards each answer, and rows of the journal as pages."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from receiver.journal import Store
from tests.visitors import NAME, Visitor, visiting, words


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "station.journal"
    Store(path, write=True).close()
    return path


@pytest.fixture
def visitor(journal: Path) -> Iterator[Callable[[], Visitor]]:
    with visiting(journal) as make:
        yield make


def test_a_one_time_link_lets_one_person_in_once(visitor: Callable[[], Visitor]) -> None:
    first, second = visitor(), visitor()
    link = f"/enter/{first.house.door.link()}"
    assert first.get(link).status_code == 200  # looking does not use it up: programs that preview links look, too
    assert NAME in words(first.post(link, name=NAME).text)
    assert second.post(link, name="Another").status_code == 403
    assert second.get("/api/session").status_code == 401


@pytest.mark.parametrize("url", ["/", "/rows/1", "/live/stream", "/api/session", "/api/rows", "/api/openapi.json"])
def test_nobody_sees_anything_before_coming_in(visitor: Callable[[], Visitor], url: str) -> None:
    stranger = visitor()
    stranger.client.cookies.set(stranger.house.cookie, "made-up")
    answer = stranger.client.get(url, follow_redirects=False)
    assert answer.status_code in (303, 401)
    assert answer.headers.get("location", "/enter").startswith("/enter")
    assert len(answer.content) < 100
