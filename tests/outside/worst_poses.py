"""Holds models with a clip of their worst poses against what the findings say of these, with pygltflib and numpy; nothing of
Condyle's is used.

    cargo run -p condyle-core --example worst_poses -- FOLDER FILE…
    python worst_poses.py FOLDER

Each model must have one clip more than before and otherwise the same nodes, meshes, skins and clips; at the key of a pose the point that
the finding names must be as far from where it is at bind as the finding says, within 1e-5 of S.
"""

import json
import math
import pathlib
import sys

import numpy as np
import pygltflib

import read_models as reader

CLOSE = 1e-5


def load(path):
    reader.BUFFERS.clear()
    reader.VIEWS.clear()
    READ.clear()
    return pygltflib.GLTF2().load(str(path))


def raw(path):
    """The document as it is written."""
    data = pathlib.Path(path).read_bytes()
    if data[:4] == b"glTF":
        data = data[20 : 20 + int.from_bytes(data[12:16], "little")]
    return json.loads(data)


# Accessors of the file that is being read.
READ = {}


def rows(gltf, path, index):
    if index not in READ:
        READ[index] = reader.accessor(gltf, path, index)
    return READ[index]


def value(gltf, path, sampler, time):
    times = rows(gltf, path, sampler.input)[:, 0]
    keys = rows(gltf, path, sampler.output)
    assert np.all(np.diff(times) > 0), "times must rise"
    at = int(np.searchsorted(times, time, side="right")) - 1
    return keys[max(at, 0)]


def worlds(gltf, path, clip, time):
    nodes = [pygltflib.Node(**{k: getattr(n, k) for k in ("translation", "rotation", "scale", "matrix")}) for n in gltf.nodes]
    for channel in clip.channels:
        target = channel.target
        assert gltf.nodes[target.node].matrix is None, "a driven node has a matrix"
        setattr(nodes[target.node], target.path, value(gltf, path, clip.samplers[channel.sampler], time).tolist())
    parents = {child: index for index, node in enumerate(gltf.nodes) for child in node.children or []}

    done = {}

    def world(index):
        if index not in done:
            own, up = reader.local(nodes[index]), parents.get(index)
            done[index] = own if up is None else world(up) @ own
        return done[index]

    return [world(index) for index in range(len(nodes))]


def place(gltf, path, told, places):
    skin = gltf.skins[told["skin"]]
    primitive = gltf.meshes[told["mesh"]].primitives[told["primitive"]]
    point = np.append(rows(gltf, path, primitive.attributes.POSITION)[told["vertex"]], 1)
    inverse = rows(gltf, path, skin.inverseBindMatrices).reshape(-1, 4, 4).transpose(0, 2, 1)
    out = np.zeros(4)
    for number in range(8):
        j = getattr(primitive.attributes, f"JOINTS_{number}", None)
        w = getattr(primitive.attributes, f"WEIGHTS_{number}", None)
        if j is None or w is None:
            break
        joints = rows(gltf, path, j)[told["vertex"]].astype(int)
        weights = rows(gltf, path, w)[told["vertex"]]
        for joint, weight in zip(joints, weights):
            if weight:
                out += weight * (places[skin.joints[joint]] @ inverse[joint] @ point)
    return out[:3]


def main():
    folder = pathlib.Path(sys.argv[1])
    compared, worst = 0, 0.0
    for model in json.loads((folder / "posed.json").read_text()):
        before, path = load(pathlib.Path(model["before"])), folder / model["file"]
        after = load(path)
        more = len(after.animations) - len(before.animations or [])
        assert more == (1 if model["poses"] else 0), (model["file"], more)
        ours, theirs = raw(path), raw(model["before"])
        for part in theirs.keys() - {"buffers", "bufferViews", "accessors", "animations"}:
            # A driven node has no matrix: there those become translation, rotation and scale.
            if part != "nodes" or not any("matrix" in node for node in theirs["nodes"]):
                assert ours[part] == theirs[part], (model["file"], part)
        for part in ("bufferViews", "accessors", "animations"):
            old = theirs.get(part, [])
            assert ours.get(part, [])[: len(old)] == old, (model["file"], part)
        if not more:
            continue
        clip = after.animations[-1]
        poses = {pose["node"]: pose for pose in clip.extras["condyle"]["poses"]}
        assert len(poses) == model["poses"]
        for told in model["told"]:
            pose = poses[told["node"]]
            still = place(after, path, told, worlds(after, path, clip, 0.0))
            moved = place(after, path, told, worlds(after, path, clip, pose["time"]))
            apart = abs(math.dist(still, moved) - told["moved"]) / model["s"]
            assert apart < CLOSE, (model["file"], pose, told, math.dist(still, moved))
            compared, worst = compared + 1, max(worst, apart)
    assert compared >= 8, f"only {compared} poses were compared"
    print(f"{compared} poses are as the findings say, within {worst:.1e} of S")


if __name__ == "__main__":
    main()
