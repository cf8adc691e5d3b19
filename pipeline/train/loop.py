"""What both training loops share: averaged weights, schedule, numbers written as they come."""

from __future__ import annotations

import copy
import json
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar, cast

import torch
from torch import Tensor, nn

Network = TypeVar("Network", bound=nn.Module)
Batch = TypeVar("Batch")
Report = Callable[[str, int, dict[str, float]], None]
Keep = Callable[[nn.Module], None]


@dataclass(frozen=True, slots=True)
class Schedule:
    """One-cycle training: linear warm-up, cosine down to nothing."""

    steps: int
    batch: int
    peak_lr: float
    weight_decay: float = 0.02
    warmup_share: float = 0.08
    deadline_s: float = 1e9


class Every:
    """Says now and then that it is time again."""

    def __init__(self, seconds: float) -> None:
        """Start the clock."""
        self.seconds, self.last = seconds, time.time()

    def is_due(self) -> bool:
        """Whether the last time is long enough ago; if so, this is the new last time."""
        if time.time() - self.last < self.seconds:
            return False
        self.last = time.time()
        return True


class Watch:
    """Counts steps and seconds; a run ends at whichever of the schedule's limits comes first."""

    def __init__(self, schedule: Schedule) -> None:
        """Start the clock."""
        self.schedule, self.step, self.start = schedule, 0, time.time()

    def progress(self) -> float:
        """Count a step; how far the run is, 0..1."""
        self.step += 1
        return max(self.step / self.schedule.steps, (time.time() - self.start) / self.schedule.deadline_s)


class Averaged(Generic[Network]):
    """Exponential moving average of a model's weights and buffers."""

    def __init__(self, model: Network, decay: float = 0.998) -> None:
        """Start from the model as it is."""
        self.model = copy.deepcopy(model).eval()
        self.decay, self.updates = decay, 0
        for p in self.model.parameters():
            p.requires_grad_(False)

    @torch.no_grad()
    def update(self, model: Network) -> None:
        """Blend in the newest weights; early on the average follows fast."""
        self.updates += 1
        d = min(self.decay, (1 + self.updates) / (10 + self.updates))
        mine, theirs = self.model.state_dict(), model.state_dict()
        floats = [k for k, v in mine.items() if v.dtype.is_floating_point]
        torch._foreach_mul_([mine[k] for k in floats], d)
        torch._foreach_add_([mine[k] for k in floats], [theirs[k].detach() for k in floats], alpha=1 - d)


def optimiser(model: nn.Module, schedule: Schedule, trunk_share: float = 0.35) -> torch.optim.Optimizer:
    """AdamW; the pretrained trunk learns slower, norms and biases do not decay; what is frozen stays."""
    groups: dict[tuple[bool, bool], list[nn.Parameter]] = {}
    for name, p in model.named_parameters():
        if not p.requires_grad:
            continue
        groups.setdefault((name.startswith("trunk."), p.ndim >= 2), []).append(p)
    rated = []
    for (trunk, decays), params in groups.items():
        rate = schedule.peak_lr * (trunk_share if trunk else 1)
        decay = schedule.weight_decay if decays else 0.0
        rated.append({"params": params, "lr": rate, "base": rate, "weight_decay": decay})
    return torch.optim.AdamW(rated, betas=(0.9, 0.99))


def take_step(loss: Tensor, model: nn.Module, opt: torch.optim.Optimizer, longest: float) -> None:
    """One step downhill, on a gradient no longer than `longest`."""
    opt.zero_grad(set_to_none=True)
    torch.autograd.backward(loss)
    torch.nn.utils.clip_grad_norm_(model.parameters(), longest)
    opt.step()


def set_lr(opt: torch.optim.Optimizer, progress: float, warmup: float) -> None:
    """Scale every group's rate for a progress in 0..1."""
    factor = (
        progress / warmup
        if progress < warmup
        else 0.5 * (1 + torch.cos(torch.tensor((progress - warmup) / (1 - warmup) * torch.pi)).item())
    )
    for group in opt.param_groups:
        group["lr"] = group["base"] * max(factor, 1e-3)


def training_device() -> torch.device:
    """The GPU where there is one."""
    return torch.device("cuda" if torch.cuda.is_available() else "cpu")


def fit(
    model: Network,
    batches: Iterable[Batch],
    losses_of: Callable[[Network, Batch], Mapping[str, Tensor]],
    schedule: Schedule,
    report: Report,
    *,
    run: str,
    longest: float,
    keep: Keep | None = None,
    compiled: bool = False,
) -> Network:
    """Train until the schedule ends.

    Args:
        model: what to train; moved to the training device.
        batches: endless, already on that device.
        losses_of: the losses of a batch; `total` is descended, all are reported.
        schedule: steps, rates and the time limit.
        report: told now and then how it goes.
        run: the name to report under.
        longest: gradients are cut to this length.
        keep: given the averaged model every two minutes, to save it: a long run may be cut off.
        compiled: let torch compile the network first; takes minutes, pays on long runs on a GPU.

    Returns:
        The averaged model, on the CPU.
    """
    model = model.to(training_device()).to(memory_format=torch.channels_last).train()
    averaged, opt, watch = Averaged(model), optimiser(model, schedule), Watch(schedule)
    report_due, keep_due = Every(10.0), Every(120.0)
    network = cast(Network, torch.compile(model, dynamic=False)) if compiled else model
    for batch in batches:
        progress = watch.progress()
        if progress >= 1:
            break
        set_lr(opt, progress, schedule.warmup_share)
        losses = losses_of(network, batch)
        take_step(losses["total"], model, opt, longest)
        averaged.update(model)
        if report_due.is_due():
            report(run, watch.step, {k: v.item() for k, v in losses.items()} | {"progress": progress})
        if keep is not None and keep_due.is_due():
            keep(averaged.model)
    return averaged.model.cpu()


@dataclass
class Journal:
    """Writes every number as a JSON line, and says it too unless it is to be quiet."""

    path: Path
    is_quiet: bool = False
    started: float = field(default_factory=time.time)

    def __call__(self, run: str, step: int, values: dict[str, float]) -> None:
        """Note values of a run at a step."""
        row = {
            "run": run,
            "step": step,
            "seconds": round(time.time() - self.started, 1),
            **{k: round(float(v), 5) for k, v in values.items()},
        }
        with self.path.open("a") as out:
            out.write(json.dumps(row) + "\n")
        if not self.is_quiet:
            print(json.dumps(row), flush=True)
