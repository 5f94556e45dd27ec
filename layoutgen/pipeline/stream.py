"""The cells of a layout in their order, made and encoded on the workers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.layout.cells import Cell
from layoutgen.layout.tree import BlockTask
from layoutgen.pipeline.design import Progress, Wafer, quiet
from layoutgen.pipeline.facts import Counts
from layoutgen.workers import run_in_order


def cell_stream(
    wafer: Wafer, workers: int, counts: dict[int, Counts] | None = None,
    encode: Callable[[Cell], Any] | None = None, progress: Progress = quiet,
) -> Iterator[tuple[Cell, Any]]:  # fmt: skip
    """Every cell of the layout in its order, with what `encode` makes of it on the workers.

    A block cell's codes are counted on the way into `counts`.
    """
    tree = wafer.tree
    total = max(1, sum(len(v.part.sites) for v in tree.variants))
    done = 0

    def one(task: BlockTask) -> tuple[Cell, Any, NDArray[np.int64] | None, int]:
        if counts is None:
            cell = task.cell(task.codes())
            return cell, encode(cell) if encode else None, None, 0
        codes, left = task.codes_and_left()
        cell = task.cell(codes)
        encoded = encode(cell) if encode else None
        # the OASIS encoder has counted already
        tally = next((e.codes for e in encoded or () if e.codes is not None), None)
        if tally is None:
            tally = task.variant.coder.tally(codes)
        return cell, encoded, tally * task.copies, left * task.copies

    for index, variant in enumerate(tree.variants):
        held = Counts(np.zeros(variant.coder.ladder.count + 1, dtype=np.int64))
        for cell, encoded, tally, left in run_in_order(one, variant.blocks(), workers):
            if tally is not None:
                held.codes += tally
                held.clamped += left
            done += 1
            progress("writing", done / total)
            yield cell, encoded
        held.codes[0] = 0
        if counts is not None:
            counts[index] = held
        for cell in tree.variant_cells(variant):
            yield cell, encode(cell) if encode else None
        last = not any(v.design is variant.design for v in tree.variants[index + 1 :])
        if last:
            variant.part.forget()
    for cell in tree.plain_cells():
        yield cell, encode(cell) if encode else None
