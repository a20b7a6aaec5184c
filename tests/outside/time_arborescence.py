"""Reads a directed graph as JSON ({"nodes": n, "edges": [[from, to, score], …]}), finds its best arborescence with networkx,
and prints the seconds that took and the total score. Called by `fit-parents --speed`.

    pip install networkx==3.6.1
    python time_arborescence.py FILE.json
"""

import json
import sys
import time

import networkx as nx

with open(sys.argv[1], encoding="utf-8") as file:
    document = json.load(file)
graph = nx.DiGraph()
for start, end, score in document["edges"]:
    graph.add_edge(start, end, weight=score)
begun = time.perf_counter()
tree = nx.maximum_spanning_arborescence(graph)
seconds = time.perf_counter() - begun
print(seconds, sum(data["weight"] for _, _, data in tree.edges(data=True)))
