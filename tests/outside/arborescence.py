"""Maximum spanning arborescences of random dense graphs by networkx, as JSON: core/tests/data/arborescence.json.

    pip install networkx==3.6.1
    python tests/outside/arborescence.py > core/tests/data/arborescence.json

Node 0 is the root (nothing leads into it). `weights` lists from 0..n-1, within each to 1..n-1, without loops.
"""

import json
import random

import networkx as nx

random.seed(20261125)
graphs = []
for n in [2, 3, 4, 5, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26]:
    for spread in [3, 100]:
        graph = nx.DiGraph()
        weights = []
        for a in range(n):
            for b in range(1, n):
                if a != b:
                    weight = random.randint(-spread, spread)
                    weights.append(weight)
                    graph.add_edge(a, b, weight=weight)
        tree = nx.maximum_spanning_arborescence(graph)
        total = sum(data["weight"] for _, _, data in tree.edges(data=True))
        graphs.append({"nodes": n, "weights": weights, "total": total})
print(json.dumps(graphs, separators=(",", ":")))
