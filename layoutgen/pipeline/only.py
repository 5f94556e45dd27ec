"""One die of a wafer as a trial clip: drawn as on the whole wafer, at its place there, and nothing else.

The whole wafer is designed first, so the die's densities are those it has between its neighbours.
Of dies of one name that differ (another surrounding, another zone) the commonest is taken, and of
these the first by row and column. Marks, other dies and the wafer's outline are left out; the die's
own outline stays.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from layoutgen.errors import InputError
from layoutgen.layout.tree import build_tree
from layoutgen.pipeline.design import Clip, Wafer
from layoutgen.wafer.plan import Dropped
from layoutgen.wafer.scene import Scene

__all__ = ["only_die"]

#: Cell names have 32 characters at most.
_LONGEST_TOP = 27


def only_die(wafer: Wafer, name: str) -> Wafer:
    """The clip of one die; InputError where no die of that name stands on the wafer."""
    loaded, plan, scene = wafer.loaded, wafer.plan, wafer.scene
    known = loaded.recipe.dies
    if name not in known:
        raise InputError(f"--only: want a die of the recipe ({', '.join(known)}), got {name!r}")
    drawn: dict[int, list[int]] = {
        number: [] for number, die in enumerate(plan.dies) if die.name == name
    }
    if not drawn:
        raise InputError(
            f"--only: want a die that stands on the wafer, got {name!r}, which does not"
        )
    for number, thing in enumerate(scene.things):
        if thing.die in drawn and thing.design >= 0:
            drawn[thing.die].append(wafer.tree.variant_of[number])
    alike = Counter(tuple(variants) for variants in drawn.values())
    # a Counter keeps the order of first sight, so of equal counts the first die wins
    chosen, count = alike.most_common(1)[0]
    kept = next(number for number, variants in drawn.items() if tuple(variants) == chosen)
    die = plan.dies[kept]
    clip = Clip(name, die.col, die.row, count, len(drawn))
    clipped = replace(
        plan,
        dies=(die,),
        die_parts={name: plan.die_parts[name]},
        marks=(),
        wafer_outlines=(),
        mark_frames=(),
        dropped=Dropped((), ()),
    )
    numbers = [number for number, thing in enumerate(scene.things) if thing.die == kept]
    alone = Scene(
        scene.designs,
        [replace(scene.things[number], die=0) for number in numbers],
        scene.figures,
        scene.surroundings,
        {k: scene.of_thing[number] for k, number in enumerate(numbers) if number in scene.of_thing},
    )
    tree = build_tree(loaded, clipped, alone, wafer.exposed, wafer.foreign)
    tree = tree.with_top(f"{tree.top[:_LONGEST_TOP]}_only")
    return replace(wafer, plan=clipped, scene=alone, tree=tree, only=clip)
