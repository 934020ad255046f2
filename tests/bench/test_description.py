"""The interface is what its OpenAPI description says: requests and answers are made from it.

schemathesis writes the requests, good ones and bad, and holds status, kind and body of every answer
to the description; no answer is a server's error.
"""

from __future__ import annotations

import json
import os
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from memdiag.bench import openapi
from tests.bench.test_interface import TEXT, sample

if os.environ.get("CI") == "true":
    import schemathesis
else:
    schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")
DESCRIBED = schemathesis.openapi.from_dict(openapi.description())
# No schema of a text says whether it is a dump: of a valid request, 422 is an answer.
MAY_BE_NO_DUMP = schemathesis.checks.CHECKS.get_one("positive_data_acceptance")
QUIET = settings(
    max_examples=15, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True
)


@DESCRIBED.parametrize()
@QUIET
def test_every_answer_is_described(served: str, case: Any) -> None:
    case.call_and_validate(base_url=served, excluded_checks=[MAY_BE_NO_DUMP])


def test_the_description_is_given_out(page: Any) -> None:
    assert page.get("/api/openapi.json").json() == json.loads(json.dumps(openapi.description()))


@pytest.mark.parametrize("name", ["missing-package", "four-dumps"])
def test_a_client_that_knows_only_the_description_can_read_a_verdict(page: Any, name: str) -> None:
    described = page.get("/api/openapi.json").json()
    operation = described["paths"]["/api/verdict"]["post"]
    (kind,) = operation["requestBody"]["content"]
    found = page.post("/api/verdict", content=sample(name), headers={"content-type": kind})
    answer = operation["responses"][str(found.status_code)]["content"]["application/json"]
    whole = {**answer["schema"], "components": described["components"]}
    Draft202012Validator(whole).validate(found.json())


@QUIET
@given(st.binary(max_size=300), st.booleans())
def test_no_bytes_are_an_error_of_the_server(page: Any, noise: bytes, after_a_dump: bool) -> None:
    body = sample("missing-package") + noise if after_a_dump else noise
    assert page.post("/api/verdict", content=body, headers=TEXT).status_code in (200, 422)
