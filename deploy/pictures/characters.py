"""Draws the demo characters into one picture.

cargo run --release -p condyle-core --example tidepool -- FOLDER 60000
python characters.py FOLDER characters.png        (numpy, numba, pillow)
"""

import json
import struct
import sys

import numpy as np
from numba import njit
from PIL import Image, ImageDraw

TYPES = {5121: np.uint8, 5123: np.uint16, 5125: np.uint32, 5126: np.float32}
WIDTH = {"SCALAR": 1, "VEC3": 3, "VEC4": 4, "MAT4": 16}


def read(path):
    """Positions, normals, colours and triangles of all meshes in world space (skinned meshes lie in bind space)."""
    data = open(path, "rb").read()
    length = struct.unpack("<I", data[12:16])[0]
    root, binary = json.loads(data[20 : 20 + length]), data[28 + length :]

    def accessor(index):
        a = root["accessors"][index]
        view = root["bufferViews"][a["bufferView"]]
        n = a["count"] * WIDTH[a["type"]]
        start = view.get("byteOffset", 0) + a.get("byteOffset", 0)
        out = np.frombuffer(binary, TYPES[a["componentType"]], n, start)
        out = out.reshape(a["count"], -1).astype(np.float64)
        return out / 255.0 if a.get("normalized") and a["componentType"] == 5121 else out

    nodes, worlds = root["nodes"], {}

    def local(node):
        x, y, z, w = node.get("rotation", [0, 0, 0, 1])
        m = np.eye(4)
        m[:3, :3] = [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
        m[:3, 3] = node.get("translation", [0, 0, 0])
        return m

    def walk(index, above):
        worlds[index] = above @ local(nodes[index])
        for child in nodes[index].get("children", []):
            walk(child, worlds[index])

    for index in root["scenes"][0]["nodes"]:
        walk(index, np.eye(4))
    out = []
    for index, node in enumerate(nodes):
        if "mesh" not in node:
            continue
        primitive = root["meshes"][node["mesh"]]["primitives"][0]
        p, n = (accessor(primitive["attributes"][k]) for k in ("POSITION", "NORMAL"))
        base = root["materials"][primitive["material"]]["pbrMetallicRoughness"]["baseColorFactor"][:3]
        colour = np.tile(np.array(base), (len(p), 1))
        if "COLOR_0" in primitive["attributes"]:
            colour = colour * accessor(primitive["attributes"]["COLOR_0"])[:, :3]
        if "skin" not in node:
            m = worlds[index]
            p, n = p @ m[:3, :3].T + m[:3, 3], n @ m[:3, :3].T
        out.append((p, n, colour, accessor(primitive["indices"]).astype(np.int64).reshape(-1, 3)))
    return out


@njit(cache=False)
def raster(screen, shade, triangles, depth, image):
    height, width = depth.shape
    for t in range(triangles.shape[0]):
        a, b, c = triangles[t]
        ax, ay, bx, by, cx, cy = screen[a, 0], screen[a, 1], screen[b, 0], screen[b, 1], screen[c, 0], screen[c, 1]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0:
            continue
        x0, x1 = int(max(0, min(ax, bx, cx))), int(min(width - 1, max(ax, bx, cx) + 1))
        y0, y1 = int(max(0, min(ay, by, cy))), int(min(height - 1, max(ay, by, cy) + 1))
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                u = ((cx - bx) * (y - by) - (cy - by) * (x - bx)) / area
                v = ((ax - cx) * (y - cy) - (ay - cy) * (x - cx)) / area
                w = 1 - u - v
                if u < 0 or v < 0 or w < 0:
                    continue
                z = u * screen[a, 2] + v * screen[b, 2] + w * screen[c, 2]
                if z > depth[y, x]:
                    depth[y, x] = z
                    for k in range(3):
                        image[y, x, k] = u * shade[a, k] + v * shade[b, k] + w * shade[c, k]


def draw(meshes, turn, tilt, size, fill=0.93):
    scale = 3
    width, height = size[0] * scale, size[1] * scale
    a, b = np.radians(turn), np.radians(tilt)
    ry = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    rx = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    view = rx @ ry
    points = [m[0] @ view.T for m in meshes]
    low, high = np.min([p.min(0) for p in points], 0), np.max([p.max(0) for p in points], 0)
    zoom = fill * min(width / (high - low)[0], height / (high - low)[1])
    centre = (low + high) / 2
    image = np.ones((height, width, 3)) * np.linspace(0.93, 0.78, height)[:, None, None] * np.array([1.0, 1.0, 0.98])
    depth = np.full((height, width), -1e9)
    key, rim = np.array([0.45, 0.65, 0.62]), np.array([-0.7, 0.3, -0.3])
    for p, (_, n, colour, triangles) in zip(points, meshes):
        n = n @ view.T
        n /= np.linalg.norm(n, axis=1, keepdims=True) + 1e-12
        light = np.clip(n @ key, 0, 1) * 0.95 + np.clip(n @ rim, 0, 1) * 0.25 + 0.32 + 0.12 * n[:, 1]
        gloss = np.clip(n @ ((key + [0, 0, 1]) / np.linalg.norm(key + [0, 0, 1])), 0, 1) ** 40 * 0.16
        shade = np.clip(colour * light[:, None] + gloss[:, None], 0, 1) ** (1 / 2.2)
        screen = np.empty_like(p)
        screen[:, 0] = (p[:, 0] - centre[0]) * zoom + width / 2
        screen[:, 1] = height / 2 - (p[:, 1] - centre[1]) * zoom
        screen[:, 2] = p[:, 2]
        raster(screen, shade, triangles, depth, image)
    picture = Image.fromarray((image * 255).astype(np.uint8))
    return picture.resize(size, Image.LANCZOS)


VIEWS = {
    "fiddler-porter": (-28, 22),
    "stilt-heron": (-38, 10),
    "lantern-eel": (-52, 14),
    "harbour-clerk": (-22, 6),
}


def main(folder, target):
    size = (620, 520)
    sheet = Image.new("RGB", (size[0] * 2, size[1] * 2))
    for place, (name, (turn, tilt)) in enumerate(VIEWS.items()):
        picture = draw(read(f"{folder}/{name}.glb"), turn, tilt, size)
        ImageDraw.Draw(picture).text((14, 12), name, fill=(40, 40, 40))
        sheet.paste(picture, (place % 2 * size[0], place // 2 * size[1]))
    sheet.save(target)


if __name__ == "__main__":
    main(*sys.argv[1:3])
