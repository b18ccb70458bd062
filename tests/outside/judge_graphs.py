"""Judges directed graphs with `networkx` (PyPI): one JSON object a line for each graph of a JSON file.

The file holds a list of graphs: `nodes` (how many), `edges` (pairs: the first feeds the second), `times` (one for each
node) and `orders` (lists of nodes). An answer holds `cycles` (all elementary ones) or, without any, `tails` (for each
node the longest path that begins with it, its own time included), `longest` (of all of them), `generations` and for
each order whether it is topological."""

import json
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import networkx as nx  # noqa: E402


def tails(graph, times):
    """Longest paths by weighted edges: an edge weighs the time of the node that it leaves, and all ends meet."""
    weighted = nx.DiGraph()
    weighted.add_nodes_from(graph)
    for node in graph:
        for after in graph.successors(node):
            weighted.add_edge(node, after, weight=times[node])
        if graph.out_degree(node) == 0:
            weighted.add_edge(node, "end", weight=times[node])
    return [
        nx.dag_longest_path_length(weighted.subgraph(nx.descendants(weighted, node) | {node})) for node in graph
    ], nx.dag_longest_path_length(weighted)


with open(sys.argv[1], encoding="utf-8") as file:
    graphs = json.load(file)
for given in graphs:
    graph = nx.DiGraph()
    graph.add_nodes_from(range(given["nodes"]))
    graph.add_edges_from(map(tuple, given["edges"]))
    if not nx.is_directed_acyclic_graph(graph):
        print(json.dumps({"cycles": list(nx.simple_cycles(graph))}))
        continue
    found, longest = tails(graph, given["times"])
    reached = nx.transitive_closure_dag(graph)
    topological = [
        sorted(order) == sorted(graph)
        and not any(reached.has_edge(after, before) for at, before in enumerate(order) for after in order[at + 1 :])
        for order in given["orders"]
    ]
    print(
        json.dumps(
            {
                "cycles": [],
                "tails": found,
                "longest": longest,
                "generations": [sorted(one) for one in nx.topological_generations(graph)],
                "topological": topological,
            }
        )
    )
