"""The best assignment of clips to takes: each at most once, the sum of the scores the greatest.

Kuhn's Hungarian method with potentials (H. W. Kuhn, The Hungarian Method for the Assignment
Problem, 1955), written out here: what can meet at all falls into groups of a few clips and takes,
where plain Python is faster than loading a numerical library, and nothing more need be installed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

__all__ = ["assign"]


def assign(scores: Mapping[tuple[int, int], float]) -> dict[int, int]:
    """Rows to columns with the greatest sum of scores. Pairs that aren't there can't meet.

    A row or column may stay alone, which counts as 0; so a score of 0 or less is never chosen.
    """
    chosen: dict[int, int] = {}
    usable = {pair: score for pair, score in scores.items() if score > 0}
    for pairs in _components(usable):
        chosen.update(_solved({pair: usable[pair] for pair in pairs}))
    return dict(sorted(chosen.items()))


def _components(scores: Mapping[tuple[int, int], float]) -> list[list[tuple[int, int]]]:
    of_row: defaultdict[int, list[tuple[int, int]]] = defaultdict(list)
    of_column: defaultdict[int, list[tuple[int, int]]] = defaultdict(list)
    for pair in scores:
        of_row[pair[0]].append(pair)
        of_column[pair[1]].append(pair)
    seen: set[tuple[int, int]] = set()
    groups = []
    for first in scores:
        if first in seen:
            continue
        seen.add(first)
        group, waiting = [], [first]
        while waiting:
            pair = waiting.pop()
            group.append(pair)
            for near in (*of_row[pair[0]], *of_column[pair[1]]):
                if near not in seen:
                    seen.add(near)
                    waiting.append(near)
        groups.append(sorted(group))
    return groups


def _solved(scores: Mapping[tuple[int, int], float]) -> dict[int, int]:
    rows = sorted({row for row, _ in scores})
    columns = sorted({column for _, column in scores})
    if len(rows) == 1 or len(columns) == 1:
        best = max(scores, key=lambda pair: (scores[pair], pair))
        return {best[0]: best[1]}
    # One more column for each row, worth nothing: to stay alone.
    wide = len(columns) + len(rows)
    costs = [
        [-scores.get((row, column), 0.0) for column in columns] + [0.0] * len(rows) for row in rows
    ]
    owner = _owners(costs, len(rows), wide)
    return {
        rows[row]: columns[column]
        for column, row in enumerate(owner[: len(columns)])
        if row >= 0 and (rows[row], columns[column]) in scores
    }


def _owners(costs: list[list[float]], height: int, width: int) -> list[int]:
    """The row that each column goes to at the least cost, -1 for none; width >= height."""
    endless = float("inf")
    of_row, of_column = [0.0] * (height + 1), [0.0] * (width + 1)
    owner, way = [0] * (width + 1), [0] * (width + 1)
    for row in range(1, height + 1):
        owner[0] = row
        at = 0
        least, used = [endless] * (width + 1), [False] * (width + 1)
        while owner[at]:
            used[at] = True
            here, delta, following = owner[at], endless, 0
            for column in range(1, width + 1):
                if used[column]:
                    continue
                cost = costs[here - 1][column - 1] - of_row[here] - of_column[column]
                if cost < least[column]:
                    least[column], way[column] = cost, at
                if least[column] < delta:
                    delta, following = least[column], column
            for column in range(width + 1):
                if used[column]:
                    of_row[owner[column]] += delta
                    of_column[column] -= delta
                else:
                    least[column] -= delta
            at = following
        while at:
            owner[at] = owner[way[at]]
            at = way[at]
    return [row - 1 for row in owner[1:]]
