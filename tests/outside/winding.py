"""Winding numbers, distances and ray hits of small meshes, by libigl and trimesh, for core/tests/winding_outside.rs.

    pip install libigl==2.6.3 trimesh==4.12.2 rtree==1.4.1 numpy scipy
    python tests/outside/winding.py > core/tests/fixtures/winding.json

Winding numbers are libigl's sums over all triangles, not its fast approximation; distances and hits are trimesh's.
"""

import json
import sys

import igl
import numpy as np
import trimesh


def tidy(array):
    """Places that a reader of decimal numbers gets back exactly."""
    return np.round(np.asarray(array, np.float64), 4)


def meshes():
    ring = trimesh.creation.torus(1.0, 0.35, major_sections=28, minor_sections=14)
    yield "a closed ring", ring.vertices, ring.faces
    ball = trimesh.creation.icosphere(subdivisions=3)
    upper = ball.faces[(ball.triangles_center[:, 2] > -0.2)]
    yield "a ball with a hole", ball.vertices, upper
    other = trimesh.creation.icosphere(subdivisions=2, radius=0.7)
    other.apply_translation([0.9, 0.1, 0.0])
    sheet = np.array([[-2, -2, -1.4], [2, -2, -1.4], [2, 2, -1.3], [-2, 2, -1.3]], np.float64)
    both = np.vstack([ball.vertices, other.vertices, sheet])
    start = len(ball.vertices) + len(other.vertices)
    faces = np.vstack([ball.faces, other.faces + len(ball.vertices), [[start, start + 1, start + 2], [start, start + 2, start + 3]]])
    yield "two balls in each other above a sheet", both, faces


def main():
    random = np.random.default_rng(20261125)
    out = []
    for name, vertices, faces in meshes():
        vertices, faces = tidy(vertices), np.asarray(faces, np.int64)
        used, faces = np.unique(faces, return_inverse=True)
        vertices, faces = vertices[used], faces.reshape(-1, 3)
        points = tidy(random.uniform(-1.2, 1.2, (60, 3)))
        winding = igl.winding_number(vertices, faces, points)
        mesh = trimesh.Trimesh(vertices, faces, process=False)
        _, distances, _ = trimesh.proximity.closest_point(mesh, points)
        ways = tidy(random.normal(size=(60, 3)))
        places, rays, _ = mesh.ray.intersects_location(points, ways, multiple_hits=False)
        hits = [None] * len(points)
        for place, ray in zip(places, rays):
            way = ways[ray]
            hits[ray] = float(np.dot(place - points[ray], way) / np.dot(way, way))
        out.append({
            "name": name, "vertices": vertices.tolist(), "faces": faces.tolist(), "points": points.tolist(),
            "winding": np.round(winding, 9).tolist(), "distances": np.round(distances, 9).tolist(),
            "ways": ways.tolist(), "hits": [None if hit is None else round(hit, 9) for hit in hits],
        })
    json.dump({"by": f"libigl 2.6.3, trimesh {trimesh.__version__}", "meshes": out}, sys.stdout)
    print()


main()
