"""What schemathesis sends where the description cannot say what is sound: rigs, profiles and archives as bytes, and names
that the service knows. Loaded by schemathesis.toml, from the folder that it runs in; hostile and wrong values stay as they are drawn.
"""

import datetime
import io
import json
import struct
import tarfile
import uuid
import zlib

import schemathesis
from hypothesis import strategies as st
from schemathesis.transport.serialization import Binary


def plan(asset, parent="hips"):
    joints = [
        {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": None},
        {"name": "chest", "origin": [0, 1.2, 0], "tip": [0, 1.6, 0], "parent": parent},
    ]
    return json.dumps({"schema": "condyle.plan/1", "asset": asset, "joints": joints}).encode()


def triangle(uri=None):
    """One triangle on one joint: a document, and its buffer (glTF 2.0)."""
    points = struct.pack("<9f", 0, 0, 0, 1, 0, 0, 0, 1, 0)
    joints = bytes(12)
    weights = struct.pack("<12f", *([1, 0, 0, 0] * 3))
    binary = points + joints + weights
    buffer = {"byteLength": len(binary)}
    if uri:
        buffer["uri"] = uri
    views = [(0, 36), (36, 12), (48, 48)]
    return {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0, 1]}],
        "nodes": [{"name": "hips"}, {"name": "body", "mesh": 0, "skin": 0}],
        "skins": [{"joints": [0]}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0, "JOINTS_0": 1, "WEIGHTS_0": 2}}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3", "min": [0, 0, 0], "max": [1, 1, 0]},
            {"bufferView": 1, "componentType": 5121, "count": 3, "type": "VEC4"},
            {"bufferView": 2, "componentType": 5126, "count": 3, "type": "VEC4"},
        ],
        "bufferViews": [{"buffer": 0, "byteOffset": at, "byteLength": length} for at, length in views],
        "buffers": [buffer],
    }, binary


def glb():
    """The same as a binary (glTF 2.0, 4.4)."""
    document, binary = triangle()
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    chunks = struct.pack("<II", len(text), 0x4E4F534A) + text + struct.pack("<II", len(binary), 0x004E4942) + binary
    return struct.pack("<III", 0x46546C67, 2, 12 + len(chunks)) + chunks


def gltf():
    """The same as text, its buffer inside (glTF 2.0, 3.6.1.1; RFC 2397)."""
    binary = triangle()[1]
    document, _ = triangle("data:application/octet-stream," + "".join(f"%{byte:02X}" for byte in binary))
    return json.dumps(document).encode()


def profile(name):
    return f'profile = "condyle.profile/1"\nname = "{name}"\nabout = "for a test"\nextends = "realtime"\n'.encode()


def archive():
    """A production without revisions."""
    head = {"archive": "condyle.archive/1", "production": "tidepool", "exported_at": "2026-11-25T08:00:00Z"}
    line = json.dumps(head | {"revisions": 0, "policy": None, "days": []}).encode() + b"\n"
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.USTAR_FORMAT) as tar:
        entry = tarfile.TarInfo("manifest.ndjson")
        entry.size = len(line)
        tar.addfile(entry, io.BytesIO(line))
    return out.getvalue()


schemathesis.openapi.media_type("model/gltf-binary", st.just(glb()))
schemathesis.openapi.media_type("model/gltf+json", st.just(gltf()))
schemathesis.openapi.media_type("application/toml", st.just(profile("tidepool")))
schemathesis.openapi.media_type("application/x-tar", st.just(archive()))

# Names that the service knows, of parameters that take no other.
KNOWN = {
    "profile": ["realtime", "film", "strict"],
    "catalogue": ["1.0.0", "0.9.0"],
    "only": ["structure", "skin/sum", "naming,bind"],
    "skip": ["structure", "skin/sum", "naming,bind"],
    "check": ["structure", "skin/sum"],
    "fix": ["safe", "review"],
}
PARTS = {
    "plan": plan,
    "model": lambda asset: glb(),
    "baseline": lambda asset: plan(asset, "nobody"),
    "reference": lambda asset: glb(),
    "profile": lambda asset: profile("tidepool"),
    "waivers": lambda asset: b'[{"check": "naming/*", "reason": "for a test"}]',
    "answers": lambda asset: b"{}",
}


def one_of(list, drawn):
    """One of a list, the same for the same drawn value."""
    return list[zlib.crc32(repr(drawn).encode()) % len(list)]


def later(days):
    return (datetime.datetime.now(datetime.UTC) + datetime.timedelta(days)).strftime("%Y-%m-%dT%H:%M:%SZ")


def sound_query(case):
    for name in [name for name in KNOWN if name in case.query]:
        case.query[name] = one_of(KNOWN[name], case.query[name])
    # A place in a list is from the list itself, and `fields` leaves out members that the description has.
    case.query.pop("cursor", None)
    case.query.pop("fields", None)
    if case.operation.path == "/" and case.query.get("since"):
        case.query["since"] = "2026-11-25"
    if case.operation.path == "/v1/events":
        case.query["seconds"] = 1
    if "against" in case.query:
        # JSON compares nothing.
        case.headers["Accept"] = "text/markdown"
    if "Idempotency-Key" in case.headers:
        # A key is for one request.
        case.headers["Idempotency-Key"] = uuid.uuid4().hex


def sound_form(case, asset):
    """Rigs in the parts; one of `plan` and `model` must be there, which generators of clients cannot be told."""
    body = case.body
    if case.operation.path == "/v1/references/{name}" and len(body) > 1:
        body.pop("model", None)
    if "plan" not in body and "model" not in body:
        body["plan"] = b""
    if "profile" in body:
        # A part or a parameter, not both.
        case.query.pop("profile", None)
    for name in [name for name in PARTS if name in body]:
        body[name] = Binary(PARTS[name](asset))


def sound_object(case, asset):
    body, path = case.body, case.operation.path
    if "joints" in body and "asset" in body:
        # The plan is for the asset of the address, and a reference has joints.
        body["asset"] = asset
        if path == "/v1/references/{name}":
            body["joints"] = json.loads(plan(asset))["joints"]
    if path == "/v1/profiles/{name}":
        body["name"] = case.path_parameters["name"]
    if path.startswith("/v1/webhooks") and "url" in body:
        body["url"] = "http://127.0.0.1:9/"
    if path.startswith("/v1/tokens"):
        if body.get("expires_at"):
            # Not before now, and not for ever.
            body["expires_at"] = later(30)
        if "name" in body:
            # Of two tokens of one name the second is refused.
            body["name"] = uuid.uuid4().hex
    retention = body.get("retention")
    if isinstance(retention, dict) and not any(retention.values()):
        retention["keep_last"] = 3
    if path in ("/v1/rechecks", "/v1/productions/{production}/policy"):
        for name in [name for name in ("profile", "catalogue", "check") if isinstance(body.get(name), str)]:
            body[name] = one_of(KNOWN[name], body[name])


@schemathesis.hook
def before_call(context, case, kwargs):
    """Puts what the service knows in the place of what was drawn blindly, where the case is to be a sound one."""
    if case.operation.path == "/v1/events" and "seconds" not in case.query:
        # Without it the answer has no end.
        case.query["seconds"] = 1
    if case.meta is None or not case.meta.generation.mode.is_positive:
        return
    sound_query(case)
    asset = case.path_parameters.get("asset", "eel")
    if case.media_type == "application/toml":
        case.path_parameters["name"] = "tidepool"
    if isinstance(case.body, dict):
        form = case.media_type == "multipart/form-data"
        (sound_form if form else sound_object)(case, asset)
    # The case stays the sound one that it was: nothing is to be judged anew by a schema that knows strings alone.
    case._sync_validated_hashes()
