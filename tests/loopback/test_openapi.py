"""Every path of a running agent answers as its own OpenAPI document says.

The document is held against the standard by openapi-spec-validator (OpenAPI 3.1), each answer against the
document's schemas by jsonschema (JSON Schema 2020-12): both are general-purpose libraries.
"""

import http.client
import json
import ssl
from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator

from support.bulletins import calm
from support.loopback_home import ADDRESS, LoopbackHome
from whichhop.config.keys import PurposeKeys, derive_keys, read_key
from whichhop.serve.door import Door
from whichhop.serve.openapi import document

pytestmark = [pytest.mark.slow, pytest.mark.waits]
DOCUMENT = document()
WRONG = ("after=-1", "after=4611686018427387905", "limit=2001", "limit=%C2%B2", "after=1&after=1", "x=1")


class Asked:
    """A running agent, asked in the clear and in TLS."""

    def __init__(self, home: LoopbackHome) -> None:
        self.home = home
        self.keys: PurposeKeys = derive_keys(read_key(home.key))

    def __call__(
        self, path: str, method: str = "GET", *, tls: bool = True, **headers: str
    ) -> tuple[int, dict[str, str], bytes]:
        context = ssl._create_unverified_context()
        where = ADDRESS["desk"]
        line = (
            http.client.HTTPSConnection(where, self.home.tls, timeout=20, context=context)
            if tls
            else http.client.HTTPConnection(where, self.home.api, timeout=20)
        )
        token = {"Authorization": f"Bearer {self.keys.api_token}"}
        line.request(method, path, headers=(token if path.startswith("/api/") else {}) | headers)
        with line.getresponse() as answer:
            found = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        line.close()
        return found


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asked]:
    home = LoopbackHome(tmp_path_factory.mktemp("openapi"))
    home.start("desk", code="import whichhop.daemon.assembly as a; a.DRAFT_S = 1.0")
    home.measures_on()
    # A stop makes records of what is open, so that there are some at once.
    home.stop("desk")
    home.start("desk")
    home.measures_on()
    yield Asked(home)
    home.end()


def fits(value: Any, schema: dict[str, Any]) -> None:
    # A reference is looked up from the document's root, so the schema is joined to it.
    Draft202012Validator(schema | {"components": DOCUMENT["components"]}).validate(value)


def told(path: str, method: str, status: int, headers: dict[str, str], body: bytes) -> None:
    """The answer is one that the document names, in the form that it gives."""
    operation = DOCUMENT["paths"][path][method.lower()]
    assert str(status) in operation["responses"], (path, status, body[:200])
    content = operation["responses"][str(status)]["content"]
    kind = headers["content-type"].split(";")[0]
    assert kind in content
    form = content[kind]
    if kind == "application/json":
        fits(json.loads(body), form["schema"])
    elif "x-first-line" in form:
        first, *others = body.splitlines()
        fits(json.loads(first), form["x-first-line"])
        for line in others:
            fits(json.loads(line), form["x-other-lines"])


def test_the_document_is_sound_by_its_standard() -> None:
    OpenAPIV31SpecValidator(DOCUMENT).validate()


@pytest.mark.parametrize("path", sorted(DOCUMENT["paths"]))
def test_each_path_answers_as_it_says(asked: Asked, path: str) -> None:
    for method in DOCUMENT["paths"][path]:
        verb = method.upper()
        told(path, method, *asked(path, verb))
        told(path, method, *asked(path, verb, tls=False))  # records: in TLS only
        for query in WRONG:
            told(path, method, *asked(f"{path}?{query}", verb))
        told(path, method, *asked(f"{path}?after={'1' * 3_000}", verb))
        told(path, method, *asked(path, "DELETE"))
        told(path, method, *asked(path, verb, Host="example.org"))
        if path.startswith("/api/"):
            status, headers, body = asked(path, verb, Authorization="Bearer 00")
            assert status == 401
            told(path, method, status, headers, body)


def test_records_and_readings_were_there_to_be_looked_at(asked: Asked) -> None:
    for what in ("records", "readings"):
        _, _, body = asked(f"/api/{what}?limit=3")
        assert len(body.splitlines()) > 1


def test_the_agent_hands_the_document_out_and_has_no_path_beside_it(asked: Asked) -> None:
    status, _, body = asked("/openapi.json", tls=False)
    assert status == 200
    assert json.loads(body) == DOCUMENT
    _, _, refusal = asked("/no-such-path", tls=False)
    there = json.loads(refusal)["error"].partition("there are ")[2].split(", ")
    assert sorted(there) == sorted(DOCUMENT["paths"])


def test_a_bulletin_fits_the_form_told() -> None:
    import msgspec

    fits(json.loads(msgspec.json.encode(calm())), {"$ref": "#/components/schemas/Bulletin"})
    broken = json.loads(msgspec.json.encode(calm())) | {"at_ns": "now"}
    assert not Draft202012Validator(
        {"$ref": "#/components/schemas/Bulletin", "components": DOCUMENT["components"]}
    ).is_valid(broken)


def test_a_closed_home_hands_the_document_out_too() -> None:
    Door(token="t" * 32, password="secret").check("/openapi.json", {"host": "192.0.2.1"}, secure=False)
