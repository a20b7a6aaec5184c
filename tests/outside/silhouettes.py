"""Areas of the silhouettes of real models: every triangle in the rest pose, projected along Z, X and Y, and united by
GEOS (shapely). Prints JSON: per file the area of each view, square metres.

Reading and skinning are pygltflib's and numpy's (read_models.py); nothing is shared with Condyle's drawing, which
core/tests/figure compares with this.
"""

import json
import pathlib
import sys

import numpy as np
import pygltflib
import shapely

import read_models

# A union of more triangles than this takes minutes.
MOST_TRIANGLES = 40_000
VIEWS = {"front": (0, 1), "side": (2, 1), "top": (0, 2)}


def corners(gltf, path, it, count):
    order = np.arange(count) if it.indices is None else read_models.accessor(gltf, path, it.indices)[:, 0].astype(int)
    return order.reshape(-1, 3)


def skinned(gltf, path, skin, it, points, worlds):
    slots = [worlds[joint] for joint in skin.joints]
    if skin.inverseBindMatrices is not None:
        rows = read_models.accessor(gltf, path, skin.inverseBindMatrices)
        slots = [world @ row.reshape(4, 4).T for world, row in zip(slots, rows)]
    slots = np.array(slots)
    joints = read_models.accessor(gltf, path, it.attributes.JOINTS_0).astype(int)
    weights = read_models.accessor(gltf, path, it.attributes.WEIGHTS_0)
    weights = weights / weights.sum(1, keepdims=True)
    matrices = np.einsum("vk,vkij->vij", weights, slots[joints])
    return np.einsum("vij,vj->vi", matrices, np.c_[points, np.ones(len(points))])[:, :3]


def triangles(path):
    """The triangles of the character, or nothing where this reader is not made for the file."""
    read_models.BUFFERS.clear()
    read_models.VIEWS.clear()
    gltf = pygltflib.GLTF2().load(str(path))
    worlds = read_models.worlds(gltf)
    skins = gltf.skins or []
    joints = {joint for skin in skins for joint in skin.joints}
    parents = {child: index for index, node in enumerate(gltf.nodes) for child in node.children or []}

    def held(node):
        while node is not None and node not in joints:
            node = parents.get(node)
        return node is not None

    out = []
    for index, node in enumerate(gltf.nodes):
        # What no joint moves is no part of the character, unless there are no joints at all.
        if node.mesh is None or not (node.skin is not None or not joints or held(index)):
            continue
        for it in gltf.meshes[node.mesh].primitives:
            if it.mode not in (None, 4) or it.extensions or it.targets or getattr(it.attributes, "JOINTS_1", None) is not None:
                return None
            points = read_models.accessor(gltf, path, it.attributes.POSITION)
            faces = corners(gltf, path, it, len(points))
            if node.skin is not None:
                points = skinned(gltf, path, skins[node.skin], it, points, worlds)
            else:
                # A carried mesh whose joint is bound elsewhere than it rests is drawn as it is bound.
                points = (np.c_[points, np.ones(len(points))] @ worlds[index].T)[:, :3]
                if skins:
                    return None
            out.append(points[faces])
    return np.concatenate(out) if out else None


def area(corners, axes):
    flat = corners[:, :, axes]
    a, b = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
    across = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    # GEOS unites no triangle without area; none of them adds any.
    polygons = shapely.polygons(flat[across > 1e-18])
    return float(shapely.union_all(polygons).area)


def main():
    out = {}
    for root in sys.argv[1:]:
        for path in sorted(pathlib.Path(root).resolve().rglob("*.gl*")):
            if path.suffix not in (".glb", ".gltf"):
                continue
            try:
                corners = triangles(path)
            except Exception as error:  # a file that the libraries cannot read
                print(f"{path}: {error!r}", file=sys.stderr)
                continue
            if corners is None or len(corners) > MOST_TRIANGLES or not np.isfinite(corners).all():
                continue
            out[str(path)] = {view: area(corners, axes) for view, axes in VIEWS.items()}
    json.dump(out, sys.stdout)


if __name__ == "__main__":
    main()
