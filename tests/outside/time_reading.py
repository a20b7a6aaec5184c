"""Reads every vertex attribute, index and animation time of a GLB with json and numpy, as a script would; prints the
median time in milliseconds and the number of vertices. Called by core/benches/intake.rs, which names the file.

    python time_reading.py FILE.glb [ROUNDS]
"""

import json
import statistics
import struct
import sys
import time

import numpy as np

COMPONENTS = {5120: np.int8, 5121: np.uint8, 5122: np.int16, 5123: np.uint16, 5125: np.uint32, 5126: np.float32}
WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}


def accessor(document, binary, index):
    this = document["accessors"][index]
    view = document["bufferViews"][this["bufferView"]]
    kind, width = np.dtype(COMPONENTS[this["componentType"]]), WIDTHS[this["type"]]
    start = view.get("byteOffset", 0) + this.get("byteOffset", 0)
    stride = view.get("byteStride", kind.itemsize * width)
    rows = np.ndarray((this["count"], width), kind, binary, start, (stride, kind.itemsize))
    if this.get("normalized"):
        return rows.astype(np.float32) / np.iinfo(kind).max
    return rows


def read(data):
    length = struct.unpack_from("<I", data, 12)[0]
    document = json.loads(data[20 : 20 + length])
    binary = memoryview(data)[20 + length + 8 :]
    vertices, total = 0, 0.0
    for mesh in document["meshes"]:
        for primitive in mesh["primitives"]:
            for name, index in primitive["attributes"].items():
                rows = accessor(document, binary, index)
                total += float(rows.sum())
                vertices += len(rows) if name == "POSITION" else 0
            if "indices" in primitive:
                total += float(accessor(document, binary, primitive["indices"]).sum())
    for clip in document.get("animations", []):
        for sampler in clip["samplers"]:
            total += float(accessor(document, binary, sampler["input"]).sum())
    return vertices, total


def main():
    data = open(sys.argv[1], "rb").read()
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 15
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        vertices, _ = read(data)
        times.append((time.perf_counter() - start) * 1e3)
    print(f"{statistics.median(times):.4f} {vertices}")


main()
