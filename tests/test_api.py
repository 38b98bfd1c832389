"""The console's JSON side under a fuzzer: Schemathesis asks what its description allows, and what it does not.

Every answer must be one that the description has, in the form that it has there, and no error of ours; wrong data must be
refused, and whoever is not in gets nothing. The description must have every operation that there is.
"""

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from conftest import BOOK
from fastapi.routing import APIRoute
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import CHECKS, load_all_checks

from receiver import shift
from receiver.console.app import ROUTERS, openapi
from receiver.journal import Store
from tests.visitors import ADDRESS, Visitor, visiting

EXAMPLES = 30  # of each operation, right and wrong ones
# These checks send something themselves, past our client; what they look for that concerns us is in the last test here.
SENDING = (
    "ignored_auth",
    "ensure_resource_availability",
    "use_after_free",
    "unsupported_method",
    "missing_required_header",
)

# What these are sent may have the right form and still mean nothing: an empty name, a list without an entry.
MEANT = {("POST", "/api/requests")}
THERE = {"reference": "R-001", "mark": "4471", "row": 1, "number": 1}

API = sorted((method, route.path) for router in ROUTERS for route in router.routes
             if isinstance(route, APIRoute) and route.path.startswith("/api/") for method in route.methods)  # fmt: skip


@pytest.fixture(scope="module")
def engineer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visitor]:
    """Somebody who is in, at a station whose journal no bench writes: what is said becomes a row at once."""
    folder = tmp_path_factory.mktemp("station")
    (folder / "station.toml").write_text(BOOK)
    Store(folder / "station.journal", write=True).close()
    shift.note(folder / "station.journal", "a row", "tests")
    with visiting(folder / "station.journal", book=folder / "station.toml") as make:
        somebody = make().enter()
        asked = {
            "name": "Quarry Cottage",
            "firm": "An Invented Firm",
            "installer": "I. Example",
            "zones": "001 Door (door)",
        }
        assert somebody.ask("POST", "/api/requests", asked | {"key_bits": 128}).json()["reference"] == "R-001"
        begun = somebody.post("/provings", account="4471", reference="T-118", confirmed_by="the desk, M.")
        THERE["proving"] = begun.url.path.rpartition("/")[2]
        yield somebody


@pytest.fixture(scope="module")
def description(engineer: Visitor) -> Any:
    load_all_checks()
    found = schemathesis.openapi.from_dict(openapi(engineer.app))
    found.config.generation.with_security_parameters = False  # the session is ours; without it: a test of its own
    return found


def test_the_description_has_every_operation_and_its_refusals(engineer: Visitor) -> None:
    told = openapi(engineer.app)["paths"]
    assert sorted((method.upper(), path) for path, ones in told.items() for method in ones) == sorted(
        [*API, ("GET", "/api/session")]
    )
    for path, ones in told.items():
        for method, one in ones.items():
            due = (
                {"401", "422", "503"}
                | ({"403", "409", "413"} if method == "post" else set())
                | ({"404"} if "{" in path else set())
            )
            assert due <= set(one["responses"]), (method, path)


@pytest.mark.parametrize(("method", "path"), API)
def test_whatever_is_asked_the_answer_is_one_that_is_described(
    engineer: Visitor, description: Any, method: str, path: str
) -> None:
    operation = description[path][method]
    without = SENDING if (method, path) not in MEANT else (*SENDING, "positive_data_acceptance")
    checks = [check for check in CHECKS.get_all() if check.__name__ not in without]
    # Half of what is asked is about something that is there.
    there = {
        name: value for name, value in THERE.items() if f"{{{name}}}" in path and not path.endswith("/identification")
    }

    def cases(mode: GenerationMode, known: bool) -> st.SearchStrategy[Any]:
        given_ones: dict[str, Any] = {"path_parameters": there} if known and there else {}
        return operation.as_strategy(mode, headers={"x-csrf-token": engineer.csrf}, **given_ones)  # type: ignore[no-any-return]

    @settings(
        max_examples=EXAMPLES, derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck)
    )
    @given(st.builds(cases, st.sampled_from(GenerationMode), st.booleans()).flatmap(lambda found: found))
    def ask(case: Any) -> None:
        sent = case.as_transport_kwargs(base_url=ADDRESS)
        sent.pop("cookies", None)  # the client has the session's
        if isinstance(sent.get("data"), bytes | str):
            sent["content"] = sent.pop("data")
        case.validate_response(engineer.client.request(**sent), checks=checks)

    ask()


@pytest.mark.parametrize(("method", "path"), API)
def test_nobody_gets_anything_who_is_not_in_and_nothing_is_changed_without_the_session_s_secret(
    engineer: Visitor, method: str, path: str
) -> None:
    url = path.format(**THERE)
    stranger = Visitor(engineer.app)
    assert stranger.ask(method, url, {}).status_code == 401
    assert engineer.ask("DELETE", url).status_code == 405
    if method != "GET":
        forged = Visitor(engineer.app)
        forged.client.cookies.update(engineer.client.cookies)
        assert forged.client.request(method, url, json={}).status_code == 403
