"""Poses models at random and skins them with OpenUSD's own code (usd-core, UsdSkel), and prints the posed points as
JSON. core/tests/sweep_outside.rs compares them with Condyle's skinning.

    python pose_models.py FOLDER… > posed.json

The files are read by read_models.py (pygltflib, numpy): nothing of Condyle's is used.
"""

import json
import math
import pathlib
import random
import sys

import numpy as np
import pygltflib
from pxr import Gf, UsdSkel, Vt

import read_models as reader

POSES = 4
HIDDEN = 1e-3
# The last pose is skinned by dual quaternions, the others linearly.
BLENDS = {"linear": UsdSkel.Tokens.classicLinear, "dual quaternion": UsdSkel.Tokens.dualQuaternion}
# Points of a primitive that are compared, and vertices of a model that is small enough.
SAMPLES, LARGEST, MODELS = 64, 40_000, 12


def turn(x, y, z, w):
    out = np.eye(4)
    out[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return out


def quaternion(dice):
    """A turn by up to 90° about any axis."""
    axis = np.array([dice.gauss(0, 1) for _ in range(3)])
    axis /= np.linalg.norm(axis)
    half = math.radians(dice.uniform(-90, 90)) / 2
    return [*(axis * math.sin(half)).tolist(), math.cos(half)]


def worlds(gltf, turns):
    parents = {child: index for index, node in enumerate(gltf.nodes) for child in node.children or []}
    done = {}

    def world(index):
        if index not in done:
            own = reader.local(gltf.nodes[index]) @ turns.get(index, np.eye(4))
            up = parents.get(index)
            done[index] = own if up is None else world(up) @ own
        return done[index]

    return [world(index) for index in range(len(gltf.nodes))]


def gf(matrix):
    """USD multiplies rows from the left."""
    return Gf.Matrix4d(*matrix.T.reshape(-1).tolist())


def influences(gltf, path, primitive):
    joints, weights = [], []
    for number in range(8):
        j = getattr(primitive.attributes, f"JOINTS_{number}", None)
        w = getattr(primitive.attributes, f"WEIGHTS_{number}", None)
        if j is None or w is None:
            break
        joints.append(reader.accessor(gltf, path, j))
        weights.append(reader.accessor(gltf, path, w))
    return np.hstack(joints), np.hstack(weights)


def skinned(gltf, path, skin, primitive, places, blend):
    """The posed points in the world, and which."""
    points = reader.accessor(gltf, path, primitive.attributes.POSITION)
    joints, weights = influences(gltf, path, primitive)
    chosen = np.unique(np.linspace(0, len(points) - 1, SAMPLES).astype(int))
    if skin.inverseBindMatrices is None:
        inverse = [np.eye(4)] * len(skin.joints)
    else:
        rows = reader.accessor(gltf, path, skin.inverseBindMatrices)
        inverse = [row.reshape(4, 4).T for row in rows]
    blended = [places[node] @ inverse[slot] for slot, node in enumerate(skin.joints)]
    if blend != "linear":
        # Of a joint that is shrunk to nothing (hidden) usd-core takes no scale at all: a vertex that follows it alone is
        # left at full size, where each blend of one matrix must be that matrix. Such vertices are not compared.
        hidden = [np.linalg.svd(matrix[:3, :3])[1].min() < HIDDEN for matrix in blended]
        shown = [not any(hidden[int(j)] for j, w in zip(joints[v], weights[v]) if w) for v in chosen]
        chosen = chosen[np.array(shown, bool)]
    matrices = Vt.Matrix4dArray([gf(matrix) for matrix in blended])
    posed = Vt.Vec3fArray([Gf.Vec3f(*map(float, points[index])) for index in chosen])
    done = UsdSkel.SkinPoints(
        BLENDS[blend],
        Gf.Matrix4d(1),
        matrices,
        Vt.IntArray(joints[chosen].astype(int).reshape(-1).tolist()),
        Vt.FloatArray(weights[chosen].reshape(-1).tolist()),
        int(joints.shape[1]),
        posed,
    )
    if not done:
        raise ValueError("UsdSkel refused the data")
    return chosen.tolist(), [[float(c) for c in point] for point in posed]


def pose(path):
    reader.BUFFERS.clear()
    reader.VIEWS.clear()
    gltf = pygltflib.GLTF2().load(str(path))
    users = [node for node in gltf.nodes or [] if node.skin is not None and node.mesh is not None]
    if not users or any(it.targets for mesh in gltf.meshes for it in mesh.primitives):
        return None
    if any((it.extensions or {}).get("KHR_draco_mesh_compression") for m in gltf.meshes for it in m.primitives):
        return None
    if sum(gltf.accessors[it.attributes.POSITION].count for m in gltf.meshes for it in m.primitives) > LARGEST:
        return None
    joints = sorted({joint for skin in gltf.skins for joint in skin.joints})
    dice, out = random.Random(path.name), []
    for number in range(POSES):
        blend = "dual quaternion" if number == POSES - 1 else "linear"
        # The first pose is rest.
        turns = {joint: quaternion(dice) if number else [0, 0, 0, 1] for joint in joints}
        places = worlds(gltf, {joint: turn(*q) for joint, q in turns.items()})
        meshes = []
        for node in users:
            for index, primitive in enumerate(gltf.meshes[node.mesh].primitives):
                if primitive.attributes.JOINTS_0 is None:
                    continue
                chosen, points = skinned(gltf, path, gltf.skins[node.skin], primitive, places, blend)
                meshes.append({"mesh": node.mesh, "primitive": index, "skin": node.skin, "vertices": chosen, "points": points})
        out.append({"blend": blend, "turns": [turns[joint] for joint in joints], "meshes": meshes})
    return {"joints": joints, "poses": out}


def main():
    out = {}
    for root in sys.argv[1:]:
        for path in sorted(pathlib.Path(root).resolve().rglob("*.gl*")):
            if path.suffix not in (".glb", ".gltf") or len(out) == MODELS:
                continue
            try:
                posed = pose(path)
            except Exception as error:  # a file that the libraries cannot read
                print(f"{path}: {error!r}", file=sys.stderr)
                continue
            # One model of a maker is enough.
            if posed is not None and not any(pathlib.Path(known).parent == path.parent for known in out):
                out[str(path)] = posed
    json.dump(out, sys.stdout)


if __name__ == "__main__":
    main()
