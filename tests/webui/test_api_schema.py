"""The interface for machines against its own description, by a fuzzer that reads it."""

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from tests.webui.api_desk import Machine, opened_desk
from tests.webui.photos import jpeg

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
EXAMPLES = 12
SETTINGS = settings(
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="session")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, dict[str, str]]]:
    """A desk with a job, a photo and an upload on its way, and how a path names them."""
    with opened_desk(tmp_path_factory.mktemp("fuzzed") / "data", works=True) as app:
        machine = Machine(app.test_client(use_cookies=False))
        job = machine.expect("POST", "/jobs", {"name": "Alder Street 12"}, status=201)["id"]
        name = machine.send(job, jpeg(), "a.jpg")["photo"]["name"]
        about = {"name": "b.jpg", "size_bytes": 10**6}
        upload = machine.expect("POST", f"/jobs/{job}/uploads", about, status=201)["id"]
        yield app, {"job": job, "name": name, "upload": upload}


@pytest.fixture(scope="session")
def description(fuzzed: tuple[Any, dict[str, str]]) -> Any:
    app = fuzzed[0]

    def closing(environ: Any, start_response: Any) -> list[bytes]:
        """Answer and close what was sent, as a server does and the fuzzer does not."""
        answer = app(environ, start_response)
        try:
            return [b"".join(answer)]
        finally:
            answer.close()

    return schemathesis.openapi.from_wsgi("/api/openapi.json", closing)


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_every_action_keeps_to_its_description(
    description: Any, fuzzed: tuple[Any, dict[str, str]], mode: GenerationMode
) -> None:
    there = fuzzed[1]

    def fuzz(operation: Any) -> None:
        @settings(SETTINGS, max_examples=EXAMPLES)
        @given(case=operation.as_strategy(generation_mode=mode), is_about_there=st.integers(0, 3))
        def keeps_to_it(case: Any, is_about_there: int) -> None:
            # Three in four are about what is there: nothing is behind an identifier made up by chance.
            if is_about_there:
                names = case.path_parameters or {}
                case.path_parameters = {key: there.get(key, value) for key, value in names.items()}
            case.call_and_validate(checks=CHECKS)

        keeps_to_it()

    broken, unspoilable = [], []
    for found in description.get_all_operations():
        operation = found.ok()
        try:
            fuzz(operation)
        except Unsatisfiable:
            # There is nothing in it that could be spoiled.
            assert mode is GenerationMode.NEGATIVE
            unspoilable.append(operation.label)
        except BaseExceptionGroup as failures:
            broken.append(f"{operation.label}: {failures.exceptions}")
    assert broken == []
    assert set(unspoilable) <= {"GET /api/session", "DELETE /api/session"}


def test_description_names_every_route(fuzzed: tuple[Any, dict[str, str]]) -> None:
    app = fuzzed[0]
    paths = app.test_client().get("/api/openapi.json").get_json()
    assert paths["openapi"].startswith("3.1")
    described_there = {
        (method.upper(), path.replace("{", "<").replace("}", ">"))
        for path, actions in paths["paths"].items()
        for method in actions
    }
    routes = {
        (method, rule.rule.replace("int:", ""))
        for rule in app.url_map.iter_rules()
        if rule.rule.startswith("/api/") and rule.endpoint != "openapi"
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    assert routes == described_there
