"""Reads files before and after a repair (core/examples/repaired.rs wrote them) with pygltflib, numpy and meshoptimizer,
and fails where a repair did something else than it says. Nothing of Condyle's is used.

    python repaired.py FOLDER

Every file must be read whole. Positions, normals, colours and triangles are the same numbers as before. Skinned vertices
are where they were, at rest and at several moments of every clip, or all scaled or all turned as the repair says; where
weights change, they still sum to one and are what the repair makes of them. Bytes of the binary chunk that belong to no
influence, bind matrix or key are the same; so are materials, textures and everything else in the document that no repair
is about.
"""

import json
import pathlib
import sys

import numpy as np
import pygltflib

import read_models as reader

# Of the size of the character. Quantised weights and keys are read as they are stored, so nothing else is lost.
CLOSE = 2e-5
MOMENTS = [0.0, 0.13, 0.31, 0.5, 0.77, 1.0]
# Members of the document that no repair of the list may touch.
KEPT = ("asset", "materials", "textures", "images", "samplers", "cameras", "extensionsUsed", "extensionsRequired", "extras")


class File:
    def __init__(self, path):
        self.path = path
        raw = path.read_bytes()
        self.chunk = b""
        if raw[:4] == b"glTF":
            length = int.from_bytes(raw[12:16], "little")
            self.json = json.loads(raw[20 : 20 + length])
            rest = raw[20 + length :]
            self.chunk = rest[8 : 8 + int.from_bytes(rest[:4], "little")]
        else:
            self.json = json.loads(raw)
        reader.BUFFERS.clear()
        reader.VIEWS.clear()
        self.gltf = pygltflib.GLTF2().load(str(path))
        self.numbers = [reader.accessor(self.gltf, path, at) for at in range(len(self.gltf.accessors))]
        self.parent = {c: i for i, node in enumerate(self.gltf.nodes) for c in node.children or []}

    def length(self, clip):
        return max(float(self.numbers[s.input].max()) for s in self.gltf.animations[clip].samplers)

    def worlds(self, clip=None, time=0.0):
        parts = [[n.translation, n.rotation, n.scale, n.matrix] for n in self.gltf.nodes]
        if clip is not None:
            it = self.gltf.animations[clip]
            for channel in it.channels:
                value = self.sample(it.samplers[channel.sampler], time, channel.target.path == "rotation")
                slot = {"translation": 0, "rotation": 1, "scale": 2}.get(channel.target.path)
                if slot is not None:
                    parts[channel.target.node][slot] = value.tolist()
        done = {}

        def world(index):
            if index not in done:
                t, r, s, m = parts[index]
                own = reader.local(pygltflib.Node(translation=t, rotation=r, scale=s, matrix=m))
                up = self.parent.get(index)
                done[index] = own if up is None else world(up) @ own
            return done[index]

        return [world(index) for index in range(len(parts))]

    def sample(self, sampler, time, rotation):
        times, values = self.numbers[sampler.input][:, 0], self.numbers[sampler.output]
        kind = sampler.interpolation or "LINEAR"
        cubic = kind == "CUBICSPLINE"
        key = (lambda at: values[3 * at + 1]) if cubic else (lambda at: values[at])
        after = int(np.searchsorted(times, time, "right"))
        if after == 0:
            return key(0)
        if after == len(times):
            return key(after - 1)
        span = times[after] - times[after - 1]
        t = (time - times[after - 1]) / span
        a, b = key(after - 1), key(after)
        if kind == "STEP":
            return a
        if cubic:
            out, into = values[3 * (after - 1) + 2], values[3 * after]
            v = (2 * t**3 - 3 * t**2 + 1) * a + span * (t**3 - 2 * t**2 + t) * out
            return v + (3 * t**2 - 2 * t**3) * b + span * (t**3 - t**2) * into
        if not rotation:
            return a + (b - a) * t
        a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
        dot = float(a @ b)
        if dot < 0:
            b, dot = -b, -dot
        angle = np.arccos(min(dot, 1.0))
        if angle < 1e-9:
            return a
        return (np.sin((1 - t) * angle) * a + np.sin(t * angle) * b) / np.sin(angle)

    def skinned(self, clip=None, time=0.0):
        places, out = self.worlds(clip, time), []
        for node in self.gltf.nodes:
            if node.skin is None or node.mesh is None:
                continue
            skin = self.gltf.skins[node.skin]
            binds = (
                self.numbers[skin.inverseBindMatrices].reshape(-1, 4, 4).transpose(0, 2, 1)
                if skin.inverseBindMatrices is not None
                else [np.eye(4)] * len(skin.joints)
            )
            palette = np.stack([places[j] @ binds[slot] for slot, j in enumerate(skin.joints)])
            for primitive in self.gltf.meshes[node.mesh].primitives:
                rows = self.influences(primitive)
                if rows is None:
                    continue
                points = np.c_[self.numbers[primitive.attributes.POSITION], np.ones(len(rows[0]))]
                posed = np.einsum("vsij,vj->vsi", palette[rows[0].astype(int)], points)[..., :3]
                out.append(np.einsum("vs,vsi->vi", rows[1], posed))
        return np.concatenate(out) if out else np.zeros((0, 3))

    def influences(self, primitive):
        attributes = vars(primitive.attributes)
        names = [f"JOINTS_{n}" for n in range(4) if attributes.get(f"JOINTS_{n}") is not None]
        if not names or primitive.attributes.POSITION is None:
            return None
        joints = np.concatenate([self.numbers[attributes[n]] for n in names], 1)
        weights = np.concatenate([self.numbers[attributes[n.replace("JOINTS", "WEIGHTS")]] for n in names], 1)
        return joints, weights

    def shape(self):
        """Everything of a primitive that is no influence, as numbers."""
        for mesh in self.gltf.meshes:
            for primitive in mesh.primitives:
                attributes = {k: v for k, v in vars(primitive.attributes).items() if isinstance(v, int)}
                for name, at in sorted(attributes.items()):
                    if not name.startswith(("JOINTS_", "WEIGHTS_")):
                        yield name, self.numbers[at]
                if primitive.indices is not None:
                    yield "indices", self.numbers[primitive.indices]

    def ours(self):
        """Accessors that repairs write: influences, bind matrices, keys."""
        out = {s.inverseBindMatrices for s in self.gltf.skins or []}
        for clip in self.gltf.animations or []:
            out |= {sampler.output for sampler in clip.samplers} | {sampler.input for sampler in clip.samplers}
        for mesh in self.gltf.meshes:
            for primitive in mesh.primitives:
                named = vars(primitive.attributes).items()
                out |= {v for k, v in named if k.startswith(("JOINTS_", "WEIGHTS_")) and isinstance(v, int)}
        return out

    def mine(self):
        """Which bytes of the chunk those accessors have."""
        mask = np.zeros(len(self.chunk), bool)
        for at in self.ours() - {None}:
            it = self.gltf.accessors[at]
            if it.bufferView is None or it.sparse is not None:
                continue
            view = self.gltf.bufferViews[it.bufferView]
            if view.buffer != 0 or (view.extensions or {}).get("EXT_meshopt_compression"):
                continue
            size = reader.WIDTH[it.type] * np.dtype(reader.TYPES[it.componentType]).itemsize
            start, stride = (view.byteOffset or 0) + (it.byteOffset or 0), view.byteStride or size
            for row in range(it.count):
                mask[start + row * stride : start + row * stride + size] = True
        return mask


def size(points):
    return float((points.max(0) - points.min(0)).max()) if len(points) else 1.0


def check(folder, entry, before):
    after = File(folder / entry["after"])
    for (name, a), (other, b) in zip(before.shape(), after.shape(), strict=True):
        assert name == other and np.array_equal(a, b), f"{name} has changed"
    for key in KEPT:
        assert before.json.get(key) == after.json.get(key), f"{key} has changed"
    if before.chunk:
        old, new = np.frombuffer(before.chunk, np.uint8), np.frombuffer(after.chunk, np.uint8)
        assert len(new) >= len(old), "the chunk is shorter"
        odd = (old != new[: len(old)]) & ~before.mine()
        assert not odd.any(), f"byte {int(odd.argmax())} of the chunk has changed"
    expected, arguments = entry["expected"], entry["arguments"]
    rest = before.skinned()
    close = CLOSE * size(rest)
    if expected == "weights":
        return weights(entry["repair"], arguments, before, after)
    change = np.eye(3)
    if expected == "scaled":
        change = np.eye(3) * arguments["factor"]
    if expected == "turned":
        change = reader.local(pygltflib.Node(rotation=arguments["rotation"]))[:3, :3]
    moments = [(None, 0.0)]
    if expected != "rest":
        clips = range(min(len(before.gltf.animations or []), 6))
        moments += [(clip, time * before.length(clip)) for clip in clips for time in MOMENTS]
    for clip, time in moments:
        a, b = before.skinned(clip, time) @ change.T, after.skinned(clip, time)
        worst = float(np.abs(a - b).max()) if len(a) else 0.0
        assert worst <= close, f"a vertex is {worst / size(rest):.2e} of the size away (clip {clip}, {time:.3f} s)"


def weights(repair, arguments, before, after):
    for node in before.gltf.nodes:
        if node.skin is None or node.mesh is None:
            continue
        joints = before.gltf.skins[node.skin].joints
        for at, (p, q) in enumerate(
            zip(before.gltf.meshes[node.mesh].primitives, after.gltf.meshes[node.mesh].primitives, strict=True)
        ):
            old, new = dense(before, p, joints), dense(after, q, joints)
            if old is None:
                continue
            assert np.allclose(new.sum(1), 1.0, atol=2e-6), "weights do not sum to one"
            if repair == "hand-over":
                a, b = (joints.index(arguments[key]) for key in ("from", "to"))
                assert not new[:, a].any(), "the joint still has weight"
                assert np.allclose(new[:, b], old[:, a] + old[:, b], atol=1e-6), "weight was lost"
                others = [k for k in range(len(joints)) if k not in (a, b)]
                assert np.array_equal(new[:, others], old[:, others]), "other joints' weights have changed"
            if repair == "trim-influences" and (node.mesh, at) == (arguments["mesh"], arguments["primitive"]):
                assert ((new > 0).sum(1) <= arguments["most"]).all(), "more influences than asked"
                few = (old > 0).sum(1) <= arguments["most"]
                assert np.allclose(new[few], old[few], atol=1e-6), "rows with few influences have changed"
                # What stays is the largest (of equals, either), in its proportions.
                kept = new > 0
                dropped = np.where(kept, 0.0, old).max(1)
                least = np.where(kept, old, np.inf).min(1)
                assert (least >= dropped - 1e-9).all(), "a larger influence went"
                shares = np.where(kept, old, 0.0)
                shares /= shares.sum(1, keepdims=True)
                # Whole numbers are rounded once more.
                assert np.allclose(new, shares, atol=1.5 / 255), "proportions"


def dense(file, primitive, joints):
    rows = file.influences(primitive)
    if rows is None:
        return None
    out = np.zeros((len(rows[0]), len(joints)))
    for slot in range(rows[0].shape[1]):
        used = rows[1][:, slot] != 0
        np.add.at(out, (np.arange(len(out))[used], rows[0][used, slot].astype(int)), rows[1][used, slot])
    return out


def main():
    folder = pathlib.Path(sys.argv[1])
    entries = json.loads((folder / "repaired.json").read_text())
    failed, idle, done, before = [], {}, 0, (None, None)
    for entry in entries:
        if "after" not in entry:
            idle.setdefault(entry["outcome"], []).append(f"{entry['before']} {entry['repair']}")
            continue
        if before[0] != entry["before"]:
            try:
                before = (entry["before"], File(folder / entry["before"]))
            except NotImplementedError as error:
                before = (entry["before"], None)
                print(f"not read: {entry['before']} {error}", file=sys.stderr)
        if before[1] is None:
            continue
        try:
            check(folder, entry, before[1])
            done += 1
        except AssertionError as error:
            failed.append(f"{entry['after']}: {error}")
    for outcome, where in idle.items():
        print(f"not applied: {outcome}: {len(where)} ({where[0]})", file=sys.stderr)
    print("\n".join(failed), file=sys.stderr)
    print(f"{done} passed, {len(failed)} failed")
    sys.exit(1 if failed or done < 400 else 0)


if __name__ == "__main__":
    main()
