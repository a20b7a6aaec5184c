"""Skins a GLB in six poses of each joint with OpenUSD's own code (usd-core, UsdSkel.SkinPointsLBS), measuring nothing; prints
the median time of all poses in milliseconds, how many there were, and how many vertices. Called by core/benches/sweep.rs,
which names the file.

    python time_skinning.py FILE.glb [ROUNDS]
"""

import math
import pathlib
import statistics
import sys
import time

import numpy as np
import pygltflib
from pxr import Gf, UsdSkel, Vt

import read_models as reader
from pose_models import gf, influences, turn, worlds

ANGLE = math.radians(45)


def main():
    path = pathlib.Path(sys.argv[1])
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    gltf = pygltflib.GLTF2().load(str(path))
    parts = []
    for node in gltf.nodes:
        if node.skin is None or node.mesh is None:
            continue
        skin = gltf.skins[node.skin]
        inverse = [row.reshape(4, 4).T for row in reader.accessor(gltf, path, skin.inverseBindMatrices)]
        for primitive in gltf.meshes[node.mesh].primitives:
            points = reader.accessor(gltf, path, primitive.attributes.POSITION).astype(np.float32)
            joints, weights = influences(gltf, path, primitive)
            parts.append((
                skin,
                inverse,
                Vt.Vec3fArray.FromNumpy(points),
                Vt.IntArray.FromNumpy(joints.astype(np.int32).reshape(-1)),
                Vt.FloatArray.FromNumpy(weights.astype(np.float32).reshape(-1)),
                joints.shape[1],
            ))
    used = sorted({joint for skin, *_ in parts for joint in skin.joints})
    poses = []
    for joint in used:
        for axis in range(3):
            for sign in (1, -1):
                half = sign * ANGLE / 2
                quaternion = [0.0, 0.0, 0.0, math.cos(half)]
                quaternion[axis] = math.sin(half)
                places = worlds(gltf, {joint: turn(*quaternion)})
                poses.append([
                    Vt.Matrix4dArray([gf(places[node] @ inverse[slot]) for slot, node in enumerate(skin.joints)])
                    for skin, inverse, *_ in parts
                ])
    identity, times = Gf.Matrix4d(1), []
    for _ in range(rounds):
        spent = 0.0
        for matrices in poses:
            # The points are skinned in place: each pose begins with its own copy, which is not timed.
            copies = [Vt.Vec3fArray(points) for _, _, points, *_ in parts]
            for copy in copies:
                copy[0] = copy[0]
            start = time.perf_counter()
            for (_, _, _, joints, weights, many), xforms, copy in zip(parts, matrices, copies):
                UsdSkel.SkinPointsLBS(identity, xforms, joints, weights, many, copy)
            spent += time.perf_counter() - start
        times.append(spent * 1e3)
    print(f"{statistics.median(times)} {len(poses)} {sum(len(points) for _, _, points, *_ in parts)}")


if __name__ == "__main__":
    main()
