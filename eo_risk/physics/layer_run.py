"""Layers carried through their stages: the machinery behind the three kinds of run.

Samples run in chunks, of like depth of penetration where they differ much, each chunk with
just the modes its own range of times needs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from eo_risk.physics.layer_basis import Basis, basis_for, step_modes
from eo_risk.physics.layer_one_face import advance_one_face
from eo_risk.physics.layer_ready import Layer
from eo_risk.physics.layer_response import LayerNow, Room, Touch, face_rows
from eo_risk.physics.layer_stages import Step
from eo_risk.physics.layer_step import CLOSED, Air, Port, StepResult, advance
from eo_risk.physics.layer_threads import THREADS, kept_room, share
from eo_risk.physics.rational_exponential import shared_poles

# Samples in a chunk: few enough for the caches, enough for threads to rarely wait on each other.
_CHUNK = 2000
# Ratio of Fourier numbers beyond which chunks of like samples save more modes than they cost.
_SORT_BEYOND = 1e4


@dataclass(frozen=True)
class AirNow:
    """Air that all layers of a stage give off into; shape (samples,)."""

    volume: np.ndarray
    changes_per_s: np.ndarray
    supply: np.ndarray
    start: np.ndarray | None  # None: goes on from the stage before


@dataclass(frozen=True)
class Joint:
    """A face two layers share: the inner one of `outer`, the outer one of `inner`.

    `resistance` of that face [s/m], shape (samples,).
    """

    outer: int
    inner: int
    resistance: np.ndarray

    @property
    def faces(self) -> tuple[tuple[int, str], tuple[int, str]]:
        """The two sides of it, by layer and face."""
        return (self.outer, "inner"), (self.inner, "outer")


@dataclass(frozen=True)
class Outputs:
    """What a run found; arrays of shape (outputs, samples), one per layer or open face.

    Amounts per volume of a layer [kg/m3]: `mean`, `product` of the layers that react, and by
    (layer, face) `gained` and, if asked for, `flux` out [kg/(m2 s)]. `profile` of the first
    layer has shape (outputs, positions, samples); `air_total` is the level of the air summed over
    the time [kg s/m3], `carried` what changes of air took away [kg].
    """

    mean: list[np.ndarray]
    product: dict[int, np.ndarray]
    gained: dict[tuple[int, str], np.ndarray]
    flux: dict[tuple[int, str], np.ndarray]
    profile: np.ndarray | None
    air: np.ndarray | None
    air_total: np.ndarray | None
    carried: np.ndarray | None
    lone: dict[str, float]

    def each(self, change: Callable[[np.ndarray], np.ndarray]) -> Outputs:
        """Return outputs with every array changed."""

        def changed(value):
            if isinstance(value, dict):
                return {key: change(array) for key, array in value.items()}
            return None if value is None else change(value)

        return Outputs(
            [change(mean) for mean in self.mean], changed(self.product), changed(self.gained),
            changed(self.flux), changed(self.profile), changed(self.air),
            changed(self.air_total), changed(self.carried), self.lone,
        )  # fmt: skip

    def product_of(self, layer: int) -> np.ndarray:
        """What reacted in a layer; zeros where nothing does."""
        return self.product.get(layer, np.broadcast_to(0.0, self.mean[0].shape))

    def at_face(self, what: str, layer: int, face: str) -> np.ndarray:
        """`gained` or `flux` at a face; zeros at a closed one."""
        if what == "gained" and face in self.lone:
            return self.lone[face] * (self.mean[layer] - self.mean[layer][0])
        return getattr(self, what).get((layer, face), np.broadcast_to(0.0, self.mean[0].shape))


def _outputs(
    layers: Sequence[Layer], outputs: int, samples: int, with_air: bool, with_flux: bool
) -> Outputs:
    shape = (outputs, samples)
    open_faces = [(i, face) for i, layer in enumerate(layers) for face in layer.faces]
    lone: dict[str, float] = {}
    if len(open_faces) == 1 and not (with_air or layers[0].reacts):
        lone = {"outer": 0.5, "inner": 0.5} if layers[0].symmetric else {open_faces[0][1]: 1.0}
    positions = len(layers[0].positions)
    return Outputs(
        [np.empty(shape) for _ in layers],
        {i: np.zeros(shape) for i, layer in enumerate(layers) if layer.reacts},
        {} if lone else {key: np.zeros(shape) for key in open_faces},
        {key: np.zeros(shape) for key in open_faces if with_flux},
        np.zeros((outputs, positions, samples)) if positions else None,
        *(np.zeros(shape) if with_air else None for _ in range(3)),
        lone,
    )


def _ranges(layer: Layer, steps: Sequence[Step], samples: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the Fourier numbers of the shortest time looked at and of the whole run."""
    spread = np.array([layer.stages[step.stage].spread for step in steps])
    reached = spread * np.array([step.duration_s for step in steps])
    first = reached * np.array([step.times[0] for step in steps])[:, None]
    shortest = np.min(first, axis=0, where=first > 0.0, initial=np.inf)
    ends = [np.zeros(samples)]  # at the start, then at the end of every stage
    for step, far in zip(steps, reached, strict=True):
        if step.reach is None:
            ends.append(far + ends[-1 if step.after is None else step.after + 1])
    return np.where(np.isfinite(shortest), shortest, 1.0), np.max(ends, axis=0)


class _Chunk:
    """Samples `here` of coupled layers on their way through the steps."""

    def __init__(self, layers, ranges, joints, here, width):
        self.layers, self.here, self.joints = layers, here, joints
        joined = {side for joint in joints for side in joint.faces}
        self.open = [(index, face) for index, layer in enumerate(layers) for face in layer.faces
                     if (index, face) not in joined]  # fmt: skip
        self.bases = [
            basis_for(
                layer.body.shape, layer.faces, shortest[here].min(), longest[here].max(),
                curvature=None if layer.curvature is None else layer.curvature[here],
                tolerance=layer.tolerance, positions=layer.positions,
            )
            for layer, (shortest, longest) in zip(layers, ranges, strict=True)
        ]  # fmt: skip
        self.feeds = [
            {"outer": basis.outer_area / layer.thickness[here],
             "inner": basis.inner_area / layer.thickness[here]}
            for layer, basis in zip(layers, self.bases, strict=True)
        ]  # fmt: skip
        self.squares = [
            {face: face_rows(basis.rate, [np.square(values)]) if values.ndim == 1 else None
             for face, values in (("outer", basis.outer), ("inner", basis.inner))}
            for basis in self.bases
        ]  # fmt: skip
        self.modes = [self._start(*pair, width) for pair in zip(layers, self.bases, strict=True)]
        self.fresh = True  # no step taken yet
        self.rooms = [kept_room()] if len(layers) == 1 else [Room() for _ in layers]
        self.air, self.air_total, self.carried = np.zeros((3, width))  # kg/m3, kg s/m3, kg
        self.totals: dict = {}  # what ran up so far, by kind and key of the outputs
        self.kept: dict[int, tuple] = {}  # the state at the end of stages that branch

    def _start(self, layer: Layer, basis: Basis, width: int) -> np.ndarray:
        if layer.start_share is not None:
            return step_modes(basis, layer.start_share[self.here]) * layer.start[self.here]
        modes = np.zeros((basis.rate.shape[0], width))
        modes[0] = layer.start[self.here]
        return modes

    def _touch(
        self, index: int, face: str, duration: np.ndarray, watch=None, sign: float = 1.0
    ) -> Touch:
        basis = self.bases[index]
        values = basis.outer if face == "outer" else basis.inner
        amount = sign * self.feeds[index][face] * duration
        return Touch(index, values, watch, amount, self.squares[index][face])

    def _face_port(self, index: int, face: str, step: Step, duration: np.ndarray) -> Port | None:
        here, stage = self.here, self.layers[index].stages[step.stage]
        resistance = stage.resistance[face]
        if resistance is None:
            return None
        start, rise = stage.gas_start, stage.rise
        if rise is not None:
            rise = rise[here] if step.reach is None else rise[here] * step.reach[here]
        resistance = resistance[here]
        if step.reach is not None:
            # In no time nothing passes, not even where nothing holds it back.
            passes = (duration > 0.0) | (resistance > 0.0)
            resistance = np.where(passes, resistance, CLOSED)
        return Port(
            (self._touch(index, face, duration),), resistance, stage.ratio[here],
            (None if start is None else start[here], rise),
        )  # fmt: skip

    def _shared_port(self, joint: Joint, step: Step, duration: np.ndarray) -> Port:
        first, second = (self.layers[i].stages[step.stage].ratio[self.here]
                         for i in (joint.outer, joint.inner))  # fmt: skip
        # Positive flux runs from the inner layer into the outer one.
        touches = (
            self._touch(joint.outer, "inner", duration, -second / first, -1.0),
            self._touch(joint.inner, "outer", duration),
        )
        resistance = np.where(duration > 0.0, second * joint.resistance[self.here], CLOSED)
        return Port(touches, resistance, second, (None, None))

    def ports(self, step: Step, duration: np.ndarray) -> dict[tuple[int, str], Port]:
        """Return the ports of a step by layer and face; a shared face as the inner layer's."""
        found = {at: self._face_port(*at, step, duration) for at in self.open}
        for joint in self.joints:
            found[joint.inner, "outer"] = self._shared_port(joint, step, duration)
        return {name: port for name, port in found.items() if port is not None}

    def _layers_now(self, step: Step, duration: np.ndarray) -> list[LayerNow]:
        found = []
        for layer, basis, modes, room in zip(
            self.layers, self.bases, self.modes, self.rooms, strict=True
        ):
            stage = layer.stages[step.stage]
            loss = None if stage.loss is None else stage.loss[self.here] * duration
            scale = stage.spread[self.here] * duration
            even = self.fresh and layer.start_share is None
            found.append(LayerNow(basis.rate, scale, loss, modes, even, room))
        return found

    def _air_now(self, air: AirNow, duration: np.ndarray, volumes) -> Air:
        here = self.here
        return Air(
            self.air, air.volume[here], air.changes_per_s[here] * duration, air.supply[here],
            [v[here] for v in volumes],
        )  # fmt: skip

    def run(self, steps: Sequence[Step], airs, volumes, out: Outputs) -> None:
        """Run every step and write what it finds into `out`."""
        for mean, modes in zip(out.mean, self.modes, strict=True):
            mean[0] = modes[0]
        self._show_profile(out, 0, self.modes)
        stage = -1
        for step in steps:
            air = airs[step.stage] if airs else None
            if step.after is not None and step.stage != stage:
                self._restore(step.after)
            if air is not None and step.stage != stage and air.start is not None:
                self.air = air.start[self.here]
            stage = step.stage
            to_end = (step.reach is None and step is not steps[-1]) or out.profile is not None
            self._one(step, air, volumes, out, to_end)
            if step.branches and step.reach is None:
                self._keep(stage)

    def _keep(self, stage: int) -> None:
        self.kept[stage] = ([modes.copy() for modes in self.modes], dict(self.totals), self.air,
                            self.air_total, self.carried)  # fmt: skip

    def _restore(self, stage: int) -> None:
        modes, totals, self.air, self.air_total, self.carried = self.kept[stage]
        self.modes, self.totals = [m.copy() for m in modes], dict(totals)

    def _one(self, step: Step, air: AirNow | None, volumes, out: Outputs, to_end: bool) -> None:
        rows, duration = step.rows, step.duration_s[self.here]
        ports = self.ports(step, duration)
        shared = None if air is None else self._air_now(air, duration, volumes)
        found = self._advance(step, duration, list(ports.values()), shared, to_end, bool(out.flux))
        for mean, level in zip(out.mean, found.mean, strict=True):
            # Below zero by rounding only; what reads this takes roots and logarithms.
            np.maximum(level, 0.0, out=mean[rows])
        for key, flux in zip(ports, found.flux, strict=bool(out.flux)):
            out.flux[key][rows] = flux
        if not out.lone:
            self._add_up(out, step, self._changes(ports, found))
        if shared is not None:
            times = np.asarray(step.times)[:, None]
            out.air[rows] = found.air
            out.air_total[rows] = self.air_total + found.air_total * duration
            carried = shared.changes * shared.volume * (found.air_total - shared.supply * times)
            out.carried[rows] = self.carried + carried
        self._show_profile(out, rows.stop - 1, found.modes)
        if step.reach is None:
            self.modes, self.fresh = found.modes, False
            if shared is not None:
                last = rows.stop - 1
                self.air, self.air_total, self.carried = (
                    array[last].copy() for array in (out.air, out.air_total, out.carried)
                )

    def _advance(self, step: Step, duration, ports, air, to_end, with_flux) -> StepResult:
        layers, poles = self._layers_now(step, duration), shared_poles(step.times)
        if len(layers) == len(ports) == 1 and air is None and layers[0].loss is None:
            return advance_one_face(layers[0], *ports, poles, to_end=to_end, with_flux=with_flux)
        return advance(layers, ports, poles, air=air, to_end=to_end, with_flux=with_flux)

    def _changes(self, ports, found: StepResult) -> dict:
        """Return what a step adds to the running totals, by kind and key: an operation on it."""
        changes: dict = {
            ("product", index): (np.add, gone)
            for index, gone in enumerate(found.reacted)
            if gone is not None
        }
        for (index, face), taken in zip(ports, found.taken, strict=True):
            for touched, amount in taken.items():
                # A shared face is the inner one of the outer layer.
                at = touched, face if touched == index else "inner"
                changes["gained", at] = (np.subtract, amount)
        return changes

    def _add_up(self, out: Outputs, step: Step, changes: dict) -> None:
        """Write the running totals at the outputs of a step; keep them when the stage ends."""
        for kind, key in self.totals.keys() | changes.keys():
            array, so_far = getattr(out, kind)[key], self.totals.get((kind, key), 0.0)
            if (kind, key) not in changes:
                array[step.rows] = so_far
                continue
            operation, change = changes[kind, key]
            operation(so_far, change, out=array[step.rows])
            if step.reach is None:
                self.totals[kind, key] = operation(so_far, change[-1])

    def _show_profile(self, out: Outputs, row: int, modes: list[np.ndarray]) -> None:
        if out.profile is None:
            return
        values = self.bases[0].values
        pattern = "pk,ks->ps" if values.ndim == 2 else "pks,ks->ps"
        out.profile[row] = np.einsum(pattern, values, modes[0])


def run(
    layers: Sequence[Layer],
    steps: Sequence[Step],
    outputs: int,
    samples: int,
    *,
    joints: Sequence[Joint] = (),
    airs: Sequence[AirNow | None] = (),
    volumes: Sequence[np.ndarray] = (),
    with_flux: bool = False,
) -> Outputs:
    """Carry layers through steps, all samples.

    Parameters
    ----------
    layers : sequence of Layer
        Layers that are coupled by shared faces or by air; else a single one.
    steps : sequence of Step
        From `layer_stages.steps_of`.
    outputs, samples : int
        Numbers of output rows and of samples.
    joints : sequence of Joint, optional
        The faces that layers share.
    airs : sequence of AirNow or None, optional
        One per stage; None for gas of a given level.
    volumes : sequence of ndarray, optional
        Volume of each layer, with `airs`. [m3]
    with_flux : bool
        Whether the flux at the outputs is wanted.
    """
    found = _outputs(layers, outputs, samples, bool(airs), with_flux)
    ranges = [_ranges(layer, steps, samples) for layer in layers]
    # As many chunks for each thread; layers that are coupled need no fewer samples in one.
    pieces = THREADS * round(samples / _CHUNK / THREADS)
    cuts = [samples * piece // pieces for piece in range(1, pieces)]
    order = _order(ranges[-1][0], cuts)

    def one(first: int, last: int) -> None:
        place = slice(first, last)
        here = place if order is None else order[place]
        out = found.each(lambda array: array[..., place]) if cuts else found
        _Chunk(layers, ranges, joints, here, last - first).run(steps, airs, volumes, out)

    if cuts:
        share(one, pairwise((0, *cuts, samples)))
    else:
        one(0, samples)
    if order is not None:
        back = np.empty_like(order)
        back[order] = np.arange(samples)
        found = found.each(lambda array: np.take(array, back, axis=-1))
    for index, layer in enumerate(layers):
        if layer.symmetric:
            if not found.lone:
                found.gained[index, "outer"] *= 0.5
                found.gained[index, "inner"] = found.gained[index, "outer"]
            if with_flux:
                found.flux[index, "inner"] = found.flux[index, "outer"]
    return found


def _order(shortest: np.ndarray, cuts: Sequence[int]) -> np.ndarray | None:
    """Return samples so that cuts part them by depth; None where they differ little."""
    if not (cuts and shortest.max() > _SORT_BEYOND * shortest.min()):
        return None
    return np.argpartition(shortest, cuts)
