"""Reads every glTF of the folders named with pygltflib, numpy, DracoPy and meshoptimizer, and prints what it saw as
JSON: per file its content, and the breaches of glTF 2.0 because of which no rig can be built.

The reading shares nothing with Condyle's own: core/tests/intake_outside.rs compares the two.
"""

import json
import math
import pathlib
import sys

import DracoPy
import meshoptimizer
import numpy as np
import pygltflib

import breaches

TYPES = {5120: np.int8, 5121: np.uint8, 5122: np.int16, 5123: np.uint16, 5125: np.uint32, 5126: np.float32}
WIDTH = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}


# Of the file that is being read: buffers are often text in the document, and views are shared.
BUFFERS, VIEWS = {}, {}


def buffer_bytes(gltf, path, index):
    if index not in BUFFERS:
        BUFFERS[index] = memoryview(read_buffer(gltf, path, index))
    return BUFFERS[index]


def read_buffer(gltf, path, index):
    buffer = gltf.buffers[index]
    if buffer.uri is None:
        return gltf.binary_blob()
    if buffer.uri.startswith("data:"):
        return gltf.get_data_from_buffer_uri(buffer.uri)
    return (path.parent / buffer.uri).read_bytes()


def view_bytes(gltf, path, index):
    """A view's bytes and stride, decompressed."""
    if index not in VIEWS:
        VIEWS[index] = read_view(gltf, path, index)
    return VIEWS[index]


def read_view(gltf, path, index):
    view = gltf.bufferViews[index]
    packed = (view.extensions or {}).get("EXT_meshopt_compression")
    if packed is None:
        start = view.byteOffset or 0
        return buffer_bytes(gltf, path, view.buffer)[start : start + view.byteLength], view.byteStride
    start, count, stride = packed.get("byteOffset", 0), packed["count"], packed["byteStride"]
    data = buffer_bytes(gltf, path, packed["buffer"])[start : start + packed["byteLength"]].tobytes()
    if packed.get("filter", "NONE") != "NONE":
        raise NotImplementedError(packed["filter"])
    if packed["mode"] == "ATTRIBUTES":
        rows = meshoptimizer.decode_vertex_buffer(count, stride, data, dtype=np.dtype((np.void, stride)))
    elif packed["mode"] == "TRIANGLES":
        rows = meshoptimizer.decode_index_buffer(count, stride, data)
    else:
        rows = meshoptimizer.decode_index_sequence(count, stride, data)
    # The library's array of indices is one of 4 bytes each, whatever the stride.
    return rows.tobytes()[: count * stride], view.byteStride


def elements(gltf, path, view, offset, component, width, count):
    data, stride = view_bytes(gltf, path, view)
    dtype = np.dtype(TYPES[component])
    strides = (stride or dtype.itemsize * width, dtype.itemsize)
    return np.ndarray((count, width), dtype, data, offset or 0, strides)


def accessor(gltf, path, index):
    it = gltf.accessors[index]
    width = WIDTH[it.type]
    if it.bufferView is None:
        rows = np.zeros((it.count, width), TYPES[it.componentType])
    else:
        rows = elements(gltf, path, it.bufferView, it.byteOffset, it.componentType, width, it.count)
    if it.sparse is not None:
        at, values = it.sparse.indices, it.sparse.values
        where = elements(gltf, path, at.bufferView, at.byteOffset, at.componentType, 1, it.sparse.count)
        rows = rows.copy()
        rows[where[:, 0]] = elements(
            gltf, path, values.bufferView, values.byteOffset, it.componentType, width, it.sparse.count
        )
    rows = rows.astype(np.float64)
    if it.normalized:
        rows = np.maximum(rows / np.iinfo(TYPES[it.componentType]).max, -1.0)
    return rows


def local(node):
    if node.matrix is not None:
        return np.array(node.matrix, np.float64).reshape(4, 4).T
    x, y, z, w = node.rotation or (0, 0, 0, 1)
    n = math.sqrt(x * x + y * y + z * z + w * w)
    x, y, z, w = x / n, y / n, z / n, w / n
    turn = np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])
    out = np.eye(4)
    out[:3, :3] = turn * np.array(node.scale or (1, 1, 1))
    out[:3, 3] = node.translation or (0, 0, 0)
    return out


def worlds(gltf):
    parents = {child: index for index, node in enumerate(gltf.nodes) for child in node.children or []}
    done = {}

    def world(index):
        if index not in done:
            up = parents.get(index)
            done[index] = local(gltf.nodes[index]) if up is None else world(up) @ local(gltf.nodes[index])
        return done[index]

    sys.setrecursionlimit(10_000)
    return [world(index) for index in range(len(gltf.nodes))]


def primitive(gltf, path, it):
    draco = (it.extensions or {}).get("KHR_draco_mesh_compression")
    if draco is not None:
        mesh = DracoPy.decode(bytes(view_bytes(gltf, path, draco["bufferView"])[0]))
        points = np.asarray(mesh.points, np.float64)
        triangles, weights = len(mesh.faces), None
    else:
        points = accessor(gltf, path, it.attributes.POSITION) if it.attributes.POSITION is not None else None
        corners = gltf.accessors[it.indices].count if it.indices is not None else (0 if points is None else len(points))
        triangles = corners // 3 if (it.mode is None or it.mode == 4) else None
        weights = accessor(gltf, path, it.attributes.WEIGHTS_0) if it.attributes.WEIGHTS_0 is not None else None
    if points is None:
        return None
    out = {"count": len(points), "min": points.min(0).tolist(), "max": points.max(0).tolist(),
           "mean": points.mean(0).tolist(), "triangles": triangles}
    if weights is not None and np.isfinite(weights).all():
        out["weight_mean"] = weights.mean(0).tolist()
        joints = accessor(gltf, path, it.attributes.JOINTS_0)
        out["joint_mean"] = joints.mean(0).tolist()
    return out


def read(path):
    BUFFERS.clear()
    VIEWS.clear()
    gltf = pygltflib.GLTF2().load(str(path))
    places = worlds(gltf)
    joints = sorted({joint for skin in gltf.skins or [] for joint in skin.joints})
    return {
        "joints": [places[joint][:3, 3].tolist() for joint in joints],
        "primitives": [primitive(gltf, path, p) for mesh in gltf.meshes or [] for p in mesh.primitives],
        "clips": len(gltf.animations or []),
    }


def main():
    out = {}
    for root in sys.argv[1:]:
        for path in sorted(pathlib.Path(root).resolve().rglob("*.gl*")):
            if path.suffix not in (".glb", ".gltf"):
                continue
            seen = {"breaches": breaches.of(path), "content": None}
            try:
                seen["content"] = read(path)
            except Exception as error:  # a library that cannot read it; the breaches stand on their own
                seen["unread"] = repr(error)
                print(f"{path}: {error!r}", file=sys.stderr)
            out[str(path)] = seen
    json.dump(out, sys.stdout)


if __name__ == "__main__":
    main()
