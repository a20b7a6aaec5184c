"""The breaches of glTF 2.0 because of which no rig can be built, found in the JSON alone, by rules written from the
specification (sections beside each). Each breach: kind, where (a JSON Pointer, or a range of bytes), section."""

import json
import struct

SIZES = {5120: 1, 5121: 1, 5122: 2, 5123: 2, 5125: 4, 5126: 4}
WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}


def of(path):
    data = path.read_bytes()
    if data[:4] == b"glTF":
        length = struct.unpack_from("<I", data, 12)[0]
        data = data[20 : 20 + length]
    text = data.decode("utf-8")
    try:
        document = json.loads(text)
    except json.JSONDecodeError as error:
        # RFC 8259. A wrong escape may be told at its backslash or after its six characters.
        at = len(text[: error.pos].encode())
        return [{"kind": "malformed", "bytes": [at, at + 6], "section": "RFC 8259"}]
    found = []

    def breach(pointer, section):
        found.append({"kind": "invalid", "pointer": pointer, "section": section})

    def many(key):
        value = document.get(key, [])
        return value if isinstance(value, list) else []

    def index(value, key, pointer):
        """3.3: an index that is there points into its list."""
        if not (isinstance(value, int) and 0 <= value < len(many(key))):
            breach(pointer, "glTF 2.0 §3.3")
            return None
        return value

    def indices(holder, member, key, pointer, section):
        value = holder.get(member)
        if value is None:
            return []
        if not isinstance(value, list):
            breach(f"{pointer}/{member}", section)
            return []
        return [(at, index(i, key, f"{pointer}/{member}/{at}")) for at, i in enumerate(value)]

    if "scene" in document:
        index(document["scene"], "scenes", "/scene")
    for at, scene in enumerate(many("scenes")):
        indices(scene, "nodes", "nodes", f"/scenes/{at}", "glTF 2.0 §5.26")
    parents = {}
    for at, node in enumerate(many("nodes")):
        for number, child in indices(node, "children", "nodes", f"/nodes/{at}", "glTF 2.0 §5.25"):
            if child is not None and parents.setdefault(child, at) != at:
                breach(f"/nodes/{at}/children/{number}", "glTF 2.0 §3.5.2")
        for member, key in (("mesh", "meshes"), ("skin", "skins")):
            if member in node:
                index(node[member], key, f"/nodes/{at}/{member}")
    for at, skin in enumerate(many("skins")):
        if not indices(skin, "joints", "nodes", f"/skins/{at}", "glTF 2.0 §5.28"):
            breach(f"/skins/{at}/joints", "glTF 2.0 §5.28")
        if "inverseBindMatrices" in skin:
            there = index(skin["inverseBindMatrices"], "accessors", f"/skins/{at}/inverseBindMatrices")
            if there is not None:
                matrices = document["accessors"][there]
                if (matrices["type"], matrices["componentType"]) != ("MAT4", 5126):
                    breach(f"/accessors/{there}", "glTF 2.0 §5.28.1")
    for at, accessor in enumerate(many("accessors")):
        if "bufferView" not in accessor:
            continue
        there = index(accessor["bufferView"], "bufferViews", f"/accessors/{at}/bufferView")
        if there is None:
            continue
        view = document["bufferViews"][there]
        size = SIZES[accessor["componentType"]] * WIDTHS[accessor["type"]]
        stride = view.get("byteStride", size)
        end = accessor.get("byteOffset", 0) + stride * (accessor["count"] - 1) + size
        if end > view["byteLength"]:
            breach(f"/accessors/{at}", "glTF 2.0 §3.6.2.4")
    for mesh in many("meshes"):
        for primitive in mesh.get("primitives", []):
            for name, there in primitive.get("attributes", {}).items():
                # §3.7.3.1: joints are unsigned bytes or shorts.
                if name.startswith("JOINTS_") and isinstance(there, int) and there < len(many("accessors")):
                    if document["accessors"][there]["componentType"] not in (5121, 5123):
                        breach(f"/accessors/{there}", "glTF 2.0 §3.7.3.1")
    return found
