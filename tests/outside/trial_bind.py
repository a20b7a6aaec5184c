"""Weights of a trial bind by scipy's sparse solver: python trial_bind.py > ../../core/tests/fixtures/trial_bind.json

Everything is computed here from the definitions (heat equilibrium, cotangents clamped at 50, edges at least 1e-3,
lumped mass, c = 4), on an uneven capsule about three segments on its axis. Every point sees the axis, so that the nearest
segment is always the one that holds it. Shares no code with Condyle. Needs numpy 2 and scipy 1.17.1.
"""

import json

import numpy as np
from scipy.sparse import coo_matrix, diags
from scipy.sparse.linalg import splu

SEGMENTS = np.array([[-2.0, -0.2], [-0.2, 1.1], [1.1, 2.0]])
C, STEEPEST, LEAST_EDGE, TIE = 4.0, 50.0, 1e-3, 1e-3


def capsule(rng, rings=26, sides=14):
    points = [[-3.0, 0.0, 0.0]]
    for ring in range(1, rings):
        # Arc length along the outline, from one pole to the other.
        total = np.pi + 4.0
        s = total * ring / rings + rng.uniform(-0.06, 0.06)
        for side in range(sides):
            t = s + rng.uniform(-0.05, 0.05)
            angle = 2.0 * np.pi * (side + rng.uniform(-0.35, 0.35)) / sides
            if t < np.pi / 2:
                x, r = -2.0 - np.cos(t), np.sin(t)
            elif t < np.pi / 2 + 4.0:
                x, r = t - np.pi / 2 - 2.0, 1.0
            else:
                u = t - np.pi / 2 - 4.0
                x, r = 2.0 + np.sin(u), np.cos(u)
            points.append([x, r * np.cos(angle), r * np.sin(angle)])
    points.append([3.0, 0.0, 0.0])
    last = len(points) - 1
    at = lambda ring, side: 1 + (ring - 1) * sides + side % sides
    triangles = []
    for side in range(sides):
        triangles.append([0, at(1, side), at(1, side + 1)])
        triangles.append([last, at(rings - 1, side + 1), at(rings - 1, side)])
        for ring in range(1, rings - 1):
            a, b, c, d = at(ring, side), at(ring, side + 1), at(ring + 1, side), at(ring + 1, side + 1)
            triangles += [[a, c, b], [b, c, d]]
    return np.array(points, dtype=np.float32).astype(np.float64), np.array(triangles)


def main():
    points, triangles = capsule(np.random.default_rng(7))
    count = len(points)
    size = (points.max(axis=0) - points.min(axis=0)).max()
    corners = points[triangles]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    assert area.min() > 1e-12 * size**2
    mass = np.bincount(triangles.ravel(), np.repeat(area / 3, 3), count)
    edges = {}
    clamped = 0
    for triangle, two in zip(triangles, 2 * area):
        for k in range(3):
            i, j, o = triangle[k], triangle[(k + 1) % 3], triangle[(k + 2) % 3]
            cotangent = np.dot(points[i] - points[o], points[j] - points[o]) / two
            clamped += abs(cotangent) > STEEPEST
            key = (min(i, j), max(i, j))
            edges[key] = edges.get(key, 0.0) + np.clip(cotangent, -STEEPEST, STEEPEST) / 2
    raised = sum(weight < LEAST_EDGE for weight in edges.values())
    i, j = np.array(list(edges)).T
    weight = np.maximum(np.array(list(edges.values())), LEAST_EDGE)
    off = coo_matrix((-weight, (i, j)), shape=(count, count))
    off = off + off.T
    stiffness = diags(-np.asarray(off.sum(axis=1)).ravel()) + off
    along = np.clip(points[:, :1], SEGMENTS[:, 0], SEGMENTS[:, 1])
    distance = np.sqrt((points[:, :1] - along) ** 2 + (points[:, 1:] ** 2).sum(axis=1)[:, None])
    nearest = distance.min(axis=1)
    share = (distance <= nearest[:, None] * (1 + TIE)).astype(float)
    share /= share.sum(axis=1, keepdims=True)
    held = mass * C / np.maximum(nearest, 1e-3 * size) ** 2
    weights = splu((stiffness + diags(held)).tocsc()).solve(held[:, None] * share)
    assert np.abs(weights.sum(axis=1) - 1).max() < 1e-9
    print(json.dumps({
        "made_by": "tests/outside/trial_bind.py",
        "clamped": int(clamped),
        "raised": int(raised),
        "segments": SEGMENTS.tolist(),
        "positions": points.tolist(),
        "triangles": triangles.tolist(),
        "weights": np.round(weights, 10).tolist(),
    }))


main()
