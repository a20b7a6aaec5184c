"""Reads every glTF of a folder with pygltflib, numpy and DracoPy, and prints what it saw as JSON.

The reading shares nothing with Condyle's own: core/tests/intake_outside.rs compares the two.
"""

import json
import math
import pathlib
import sys

import DracoPy
import numpy as np
import pygltflib

TYPES = {5120: np.int8, 5121: np.uint8, 5122: np.int16, 5123: np.uint16, 5125: np.uint32, 5126: np.float32}
WIDTH = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}


def buffer_bytes(gltf, path, index):
    buffer = gltf.buffers[index]
    if buffer.uri is None:
        return gltf.binary_blob()
    if buffer.uri.startswith("data:"):
        return gltf.get_data_from_buffer_uri(buffer.uri)
    return (path.parent / buffer.uri).read_bytes()


def accessor(gltf, path, index):
    it = gltf.accessors[index]
    if it.sparse is not None or it.bufferView is None:
        return None
    view = gltf.bufferViews[it.bufferView]
    data = buffer_bytes(gltf, path, view.buffer)
    dtype, width = np.dtype(TYPES[it.componentType]), WIDTH[it.type]
    start = (view.byteOffset or 0) + (it.byteOffset or 0)
    stride = view.byteStride or dtype.itemsize * width
    shape, strides = (it.count, width), (stride, dtype.itemsize)
    rows = np.ndarray(shape, dtype, data, start, strides).astype(np.float64)
    if it.normalized:
        rows = rows / np.iinfo(TYPES[it.componentType]).max
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
        view = gltf.bufferViews[draco["bufferView"]]
        data = buffer_bytes(gltf, path, view.buffer)
        start = view.byteOffset or 0
        mesh = DracoPy.decode(data[start:start + view.byteLength])
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
    return out


def read(path):
    gltf = pygltflib.GLTF2().load(str(path))
    places = worlds(gltf)
    joints = sorted({joint for skin in gltf.skins or [] for joint in skin.joints})
    return {
        "joints": [places[joint][:3, 3].tolist() for joint in joints],
        "primitives": [primitive(gltf, path, p) for mesh in gltf.meshes or [] for p in mesh.primitives],
        "clips": len(gltf.animations or []),
    }


def main():
    root = pathlib.Path(sys.argv[1])
    out = {}
    for path in sorted(root.rglob("*.gl*")):
        if path.suffix not in (".glb", ".gltf"):
            continue
        try:
            out[str(path.relative_to(root))] = read(path)
        except Exception as error:  # invalid files are another test's business
            print(f"{path}: {error!r}", file=sys.stderr)
    json.dump(out, sys.stdout)


main()
