"""What an agent answers over HTTP, as an OpenAPI 3.1 document made from the forms that are really sent.

Loaded only when somebody asks for it: the daemon stays small.
"""

from typing import Any

import msgspec

from whichhop import __version__
from whichhop.model import LinkKind, Medium, Method, NodeKind
from whichhop.model.bulletin import Bulletin
from whichhop.model.chain_signature import ChainSignature
from whichhop.serve.answer import JSON, NDJSON
from whichhop.serve.records_api import DEFAULT_LIMIT, FAR, MOST

Json = dict[str, Any]
_COMPONENTS = "#/components/schemas/{name}"
_REFUSALS = {
    "308": "The page is closed: it is shown in TLS, at the address in Location.",
    "400": "A query key or value that is not known; the answer says which are.",
    "401": "The home's token (records) or the page's password is missing or wrong.",
    "403": "Who asks is no agent that was met here and is not revoked.",
    "404": "This agent does not compare.",
    "405": "Another method than the one in Allow.",
    "414": "A query that is too long.",
    "421": "Asked under a name that a stranger can own.",
    "426": "Records and keys are handed out in TLS only.",
    "500": "A fault of the agent's own; its log says more.",
    "503": "Not now: the store cannot be read, or nothing has been said yet.",
}
_TEXT: Json = {"type": "string"}
_HEX: Json = {"type": "string", "pattern": "^[0-9a-f]+$"}
_SEQ: Json = {"type": "integer", "minimum": 0, "maximum": FAR}


def _object(optional: tuple[str, ...] = (), **properties: Json) -> Json:
    required = [name for name in properties if name not in optional]
    return {
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }


def _list(each: Json) -> Json:
    return {"type": "array", "items": each}


def _or_null(form: Json) -> Json:
    return {"anyOf": [form, {"type": "null"}]}


def _one_of(kind: Any) -> Json:
    return {"enum": [str(value) for value in kind]}


def _ref(name: str) -> Json:
    return {"$ref": _COMPONENTS.format(name=name)}


def _schemas() -> Json:
    _, made = msgspec.json.schema_components((Bulletin, ChainSignature), ref_template=_COMPONENTS)
    node = _object(
        name=_TEXT,
        kind=_one_of(NodeKind),
        address=_or_null(_TEXT),
        agent={"type": "boolean"},
        room=_or_null(_TEXT),
    )
    link = _object(
        name=_TEXT, near=_TEXT, far=_TEXT, kind=_one_of(LinkKind), medium=_or_null(_one_of(Medium))
    )
    session = _object(agent=_TEXT, target=_TEXT, method=_one_of(Method), links=_list(_TEXT))
    return made | {
        "Refusal": _object(error=_TEXT),
        "Health": _object(
            ("store", "in_trouble"),
            status={"enum": ["ok", "not storing"]},
            agent=_TEXT,
            store=_TEXT,
            in_trouble=_list(_TEXT),
        ),
        "Identity": _object(
            agent=_TEXT, certificate=_TEXT, fingerprint=_TEXT, proof=_HEX, agents=_TEXT, epoch=_SEQ
        ),
        "NewKey": _object(epoch={"type": "object"}, key=_TEXT, owner=_TEXT),
        "Home": _object(
            home=_TEXT,
            agent=_TEXT,
            version=_TEXT,
            known={"type": "object", "additionalProperties": _TEXT},
            nodes=_list(node),
            links=_list(link),
            sessions=_list(session),
        ),
        "Head": _object(
            agent=_TEXT,
            origin=_or_null(_HEX),
            last_seq=_SEQ,
            head=_or_null(_HEX),
            signed=_or_null(_ref("ChainSignature")),
        ),
        "Record": _object(
            seq=_SEQ, before=_HEX, chain=_HEX, record={"type": "string", "contentEncoding": "base64"}
        ),
        "Reading": _object(seq=_SEQ, at_ns={"type": "integer"}, name=_TEXT, value={"type": "number"}),
        "OpenRecord": _object(record={"type": "string", "contentEncoding": "base64"}),
        "Nothing": _object(),
    }


def _refusals(*statuses: str) -> Json:
    content = {JSON: {"schema": _ref("Refusal")}}
    return {status: {"description": _REFUSALS[status], "content": content} for status in statuses}


def _whole(name: str, default: int, most: int, what: str) -> Json:
    schema = {"type": "integer", "minimum": 0, "maximum": most, "default": default}
    return {"name": name, "in": "query", "required": False, "description": what, "schema": schema}


_PAGED = [
    _whole("after", 0, FAR, "the place in the chain past which to begin"),
    _whole("limit", DEFAULT_LIMIT, MOST, "entries at most; 0 for the head line alone"),
]


def _asked(
    summary: str, content: Json, *refusals: str, parameters: list[Json] | None = None, token: bool = False
) -> Json:
    return {
        "summary": summary,
        "parameters": parameters or [],
        "security": [{"token": []}] if token else [],
        "responses": {"200": {"description": summary, "content": content}}
        | _refusals("400", "405", "414", "421", "500", "503", *refusals),
    }


def _json(name: str) -> Json:
    return {JSON: {"schema": _ref(name)}}


def _lines(first: str, others: str) -> Json:
    """One JSON value a line. OpenAPI 3.1 has no words for a line's form, so two names of ours say it."""
    return {
        NDJSON: {"schema": {"type": "string"}, "x-first-line": _ref(first), "x-other-lines": _ref(others)}
    }


def _shown(kind: str) -> Json:
    return {kind: {"schema": {"type": "string"}}}


_CLOSED = ("308", "401")
_API = ("401", "426")


def document() -> Json:
    """The whole document; its paths are those of an agent's application."""
    metrics = _shown("text/plain") | _shown("application/openmetrics-text")
    gets = {
        "/": _asked("the page for people", _shown("text/html"), *_CLOSED),
        "/page.css": _asked("the page's style", _shown("text/css"), *_CLOSED),
        "/page.js": _asked("the page's script", _shown("text/javascript"), *_CLOSED),
        "/page.svg": _asked("the page's icon", _shown("image/svg+xml"), *_CLOSED),
        "/health": _asked("whether the agent lives and stores", _json("Health")),
        "/identity": _asked("the agent's certificate, proven by the home's key", _json("Identity")),
        "/epoch": _asked(
            "the home's newest key, for an agent that signs for it", _json("NewKey"), "403", "426"
        ),
        "/openapi.json": _asked("this document", {JSON: {"schema": {"type": "object"}}}),
        "/metrics": _asked("every metric; shared/metrics.md lists them", metrics, *_CLOSED),
        "/bulletin": _asked("the comparer's newest word", _json("Bulletin"), "404", *_CLOSED),
        "/api/home": _asked("the home as this agent read it", _json("Home"), *_API, token=True),
        "/api/records": _asked(
            "records in the order of the chain",
            _lines("Head", "Record"),
            *_API,
            parameters=_PAGED,
            token=True,
        ),
        "/api/readings": _asked(
            "readings in the order stored", _lines("Head", "Reading"), *_API, parameters=_PAGED, token=True
        ),
        "/api/open": _asked(
            "minutes that have not settled", _lines("OpenRecord", "OpenRecord"), *_API, token=True
        ),
    }
    posts = {
        "/api/news": _asked("the home file has changed: look", _json("Nothing"), *_API, token=True),
    }
    whole = {
        "openapi": "3.1.0",
        "info": {
            "title": "An agent of whichhop",
            "version": __version__,
            "description": "Answers under an address or a name of the home only. Records need the home's "
            "token, in TLS under the certificate that /identity tells.",
        },
        "paths": {path: {"get": one} for path, one in gets.items()}
        | {path: {"post": one} for path, one in posts.items()},
        "components": {
            "schemas": _schemas(),
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }
    # As JSON has it: defaults that are tuples are lists there.
    plain: Json = msgspec.json.decode(msgspec.json.encode(whole))
    return plain
