"""Edits real models with pygltflib and numpy, and writes beside each what was done to it: what a difference must tell.

    edited.py MODELS OUT

Nothing of Condyle takes part. For core/tests/difference_outside.rs.
"""

import json
import pathlib
import sys

import numpy
import pygltflib

MODELS = ["khronos-samples/Fox.glb", "khronos-samples/RiggedFigure.glb", "more/Magnus_Furberg/Snake.glb"]
TYPES = {5121: numpy.uint8, 5123: numpy.uint16, 5126: numpy.float32}
WIDTH = {"SCALAR": 1, "VEC3": 3, "VEC4": 4, "MAT4": 16}


def accessor(gltf, blob, index):
    """A view of an accessor's numbers in the blob, for reading and writing."""
    it = gltf.accessors[index]
    view = gltf.bufferViews[it.bufferView]
    assert it.sparse is None and not view.byteStride or view.byteStride == WIDTH[it.type] * TYPES[it.componentType]().itemsize
    start = (view.byteOffset or 0) + (it.byteOffset or 0)
    count = it.count * WIDTH[it.type]
    return numpy.frombuffer(blob, dtype=TYPES[it.componentType], count=count, offset=start).reshape(it.count, -1)


def children(gltf):
    """Joints with their parents, and the local translation and rotation of each."""
    parents = {}
    for index, node in enumerate(gltf.nodes):
        for child in node.children or []:
            parents[child] = index
    return parents


def world(gltf, parents, index):
    node = gltf.nodes[index]
    if node.matrix:
        local = numpy.array(node.matrix, dtype=float).reshape(4, 4).T
    else:
        x, y, z, w = node.rotation or [0, 0, 0, 1]
        turn = numpy.array([
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ])
        local = numpy.eye(4)
        local[:3, :3] = turn * numpy.array(node.scale or [1, 1, 1])
        local[:3, 3] = node.translation or [0, 0, 0]
    return world(gltf, parents, parents[index]) @ local if index in parents else local


def fresh(path):
    gltf = pygltflib.GLTF2().load(str(path))
    return gltf, bytearray(gltf.binary_blob())


def save(gltf, blob, path):
    gltf.set_binary_blob(bytes(blob))
    gltf.save_binary(str(path))


def leaf_of(gltf):
    """The last joint without children that a clip drives, and whose name no other node has."""
    names = [node.name for node in gltf.nodes]
    driven = {channel.target.node for clip in gltf.animations or [] for channel in clip.channels}
    joints = gltf.skins[0].joints
    fit = [j for j in joints if not gltf.nodes[j].children and names.count(gltf.nodes[j].name) == 1 and gltf.nodes[j].name]
    return ([j for j in fit if j in driven] or fit)[-1]


def main(models, out):
    out.mkdir(parents=True, exist_ok=True)
    expected = []

    def case(model, name, before, after, told):
        expected.append({"model": model, "case": name, "before": before.name, "after": after.name, **told})

    for model in MODELS:
        source = models / model
        stem = pathlib.Path(model).stem
        before = out / f"{stem}.glb"
        gltf, blob = fresh(source)
        save(gltf, blob, before)

        # A joint moved along its parent's axes; what hangs below is carried along.
        gltf, blob = fresh(source)
        parents = children(gltf)
        joint = leaf_of(gltf)
        was = world(gltf, parents, joint)[:3, 3]
        node = gltf.nodes[joint]
        if node.matrix:
            node.matrix = [*node.matrix[:12], node.matrix[12] * 1.5 + 0.01, node.matrix[13], node.matrix[14], 1.0]
        else:
            x, y, z = node.translation or [0, 0, 0]
            node.translation = [x * 1.5 + 0.01, y, z]
        now = world(gltf, parents, joint)[:3, 3]
        after = out / f"{stem}-moved.glb"
        save(gltf, blob, after)
        case(model, "moved", before, after, {"joint": node.name, "distance_mm": float(numpy.linalg.norm(now - was) * 1e3)})

        # Renamed, and nothing else.
        gltf, blob = fresh(source)
        joint = leaf_of(gltf)
        old = gltf.nodes[joint].name
        gltf.nodes[joint].name = "tidepool tip"
        channels = [
            channel.target.path
            for clip in gltf.animations or []
            for channel in clip.channels
            if channel.target.node == joint
        ]
        after = out / f"{stem}-renamed.glb"
        save(gltf, blob, after)
        case(model, "renamed", before, after, {"from": old, "to": "tidepool tip", "lost": sorted(channels)})

        # Hung from the first joint, its place in the world kept.
        gltf, blob = fresh(source)
        parents = children(gltf)
        joint = leaf_of(gltf)
        root = gltf.skins[0].joints[0]
        place = numpy.linalg.inv(world(gltf, parents, root)) @ world(gltf, parents, joint)
        gltf.nodes[parents[joint]].children.remove(joint)
        if not gltf.nodes[parents[joint]].children:
            gltf.nodes[parents[joint]].children = None
        gltf.nodes[root].children = [*(gltf.nodes[root].children or []), joint]
        node = gltf.nodes[joint]
        node.translation = node.rotation = node.scale = None
        node.matrix = [float(number) for number in place.T.flatten()]
        # A node that clips drive has no matrix (glTF 2.0 §3.11); without clips it may.
        gltf.animations = []
        after = out / f"{stem}-reparented.glb"
        save(gltf, blob, after)
        case(model, "reparented", before, after, {
            "joint": node.name, "from": gltf.nodes[parents[joint]].name, "to": gltf.nodes[root].name})

        # A joint more, that nothing is bound to.
        gltf, blob = fresh(source)
        joint = leaf_of(gltf)
        gltf.nodes.append(pygltflib.Node(name="tidepool ring", translation=[0.0, 0.02, 0.0]))
        gltf.nodes[joint].children = [len(gltf.nodes) - 1]
        skin = gltf.skins[0]
        skin.joints.append(len(gltf.nodes) - 1)
        matrices = accessor(gltf, blob, skin.inverseBindMatrices)
        more = numpy.vstack([matrices, matrices[-1:]]).astype(numpy.float32).tobytes()
        count = len(matrices) + 1
        # While numpy looks into it, it cannot grow.
        del matrices
        while len(blob) % 4:
            blob.append(0)
        gltf.bufferViews.append(pygltflib.BufferView(buffer=0, byteOffset=len(blob), byteLength=len(more)))
        gltf.accessors.append(pygltflib.Accessor(
            bufferView=len(gltf.bufferViews) - 1, componentType=5126, count=count, type="MAT4"))
        skin.inverseBindMatrices = len(gltf.accessors) - 1
        blob.extend(more)
        gltf.buffers[0].byteLength = len(blob)
        after = out / f"{stem}-added.glb"
        save(gltf, blob, after)
        case(model, "added", before, after, {"joint": "tidepool ring"})

        # Bound elsewhere: the inverse bind matrix of one joint moved by a quarter of a metre.
        gltf, blob = fresh(source)
        skin = gltf.skins[0]
        matrices = accessor(gltf, blob, skin.inverseBindMatrices)
        slot = len(skin.joints) - 1
        matrices[slot, 12] += 0.25 * max(1.0, float(numpy.abs(matrices[slot, :3]).max()))
        if stem == "Fox":
            # Its unit is a centimetre.
            matrices[slot, 12] += 25.0
        after = out / f"{stem}-rebound.glb"
        save(gltf, blob, after)
        case(model, "rebound", before, after, {"joint": gltf.nodes[skin.joints[slot]].name})

        # Weights of the first hundred vertices given whole to the skin's first joint.
        gltf, blob = fresh(source)
        nodes = [node for node in gltf.nodes if node.mesh is not None and node.skin is not None]
        first = gltf.meshes[nodes[0].mesh].primitives[0]
        joints = accessor(gltf, blob, first.attributes.JOINTS_0)
        weights = accessor(gltf, blob, first.attributes.WEIGHTS_0)
        scale = {5126: 1.0, 5121: 255.0, 5123: 65535.0}[gltf.accessors[first.attributes.WEIGHTS_0].componentType]

        def rows():
            table = numpy.zeros((len(joints), len(gltf.skins[0].joints)))
            for slot in range(4):
                numpy.add.at(table, (numpy.arange(len(joints)), joints[:, slot].astype(int)), weights[:, slot] / scale)
            return table

        was = rows()
        joints[:100] = [0, 0, 0, 0]
        weights[:100] = [scale, 0, 0, 0]
        now = rows()
        largest = numpy.abs(now - was).max(axis=1)
        # The threshold of the difference, and what lies near it: no vertex may be a matter of rounding.
        assert not ((largest > 0.0045) & (largest < 0.0055)).any()
        after = out / f"{stem}-weights.glb"
        save(gltf, blob, after)
        case(model, "weights", before, after, {
            "changed": int((largest > 0.005).sum()), "largest": float(largest.max()),
            "joint": gltf.nodes[gltf.skins[0].joints[0]].name,
            "share_before": float(was[:, 0].sum() / was.sum()), "share_now": float(now[:, 0].sum() / now.sum())})

    (out / "expected.json").write_text(json.dumps(expected, indent=1))


if __name__ == "__main__":
    main(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]))
