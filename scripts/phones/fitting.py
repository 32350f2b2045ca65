"""Fits the network to the clips: connectionist temporal classification (CTC), AdamW, a learning rate that falls along a cosine, and the
mean of the last weights, which is what is kept. Needs torch."""

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch.nn import functional

from scripts.phones.batches import Batch, made_ahead
from scripts.phones.network import Net, save

RATE = 3e-4
"""Highest learning rate, unless another is asked for."""
TOP = 3.0
"""Times as high (no unit) is that of a top layer which begins at random."""
LOWEST = 0.03
"""Share of it (no unit) that is left at the end."""
WARM_UP = 200
"""Steps until it is reached."""
SAVE_S = 240.0
"""A checkpoint is kept this often, s."""
LONG_MEAN = 0.998
"""Share of the mean weights (no unit) that each step keeps, once there were enough steps."""


@dataclass(frozen=True)
class Course:
    """How to train."""

    minutes: float
    """How long."""
    most_steps: int | None
    """Steps of synthetic voices after which it ends early."""
    threads: int
    """Of the network."""
    seed: int
    rate: float
    """Highest learning rate."""
    new_top: bool
    """Whether the top layer begins at random."""


def fit(net: Net, cache: Path, families: Sequence[str], checkpoint: Path, course: Course) -> int:
    """Train for so many minutes, or steps where they are fewer, and keep the mean weights in `checkpoint`; the steps done."""
    torch.set_num_threads(course.threads)
    top = list(net.head.parameters())
    rest = [one for name, one in net.named_parameters() if not name.startswith("head.")]
    groups = [{"params": rest, "times": 1.0}, {"params": top, "times": TOP if course.new_top else 1.0}]
    optimiser = torch.optim.AdamW(groups, lr=course.rate, weight_decay=0.01, betas=(0.9, 0.98))
    mean = {name: weight.clone() for name, weight in net.state_dict().items()}
    losses: list[float] = []
    step, saved = 0, 0.0
    net.train()
    with made_ahead(cache, families, course.seed) as ready:
        begun = time.monotonic()
        while (done := _done(time.monotonic() - begun, course.minutes, step, course.most_steps)) < 1.0:
            rate = course.rate * min(1.0, (step + 1) / WARM_UP) * (LOWEST + (1 - LOWEST) * (0.5 + 0.5 * math.cos(math.pi * done)))
            for group in optimiser.param_groups:
                group["lr"] = rate * group["times"]
            optimiser.zero_grad()
            loss = loss_of(net, ready.get())
            loss.backward()
            torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
            optimiser.step()
            step += 1
            losses.append(float(loss.detach()))
            with torch.no_grad():
                for name, weight in net.state_dict().items():
                    # At first the mean is of few steps: what the network began as is soon forgotten.
                    mean[name].lerp_(weight, 1 - min(LONG_MEAN, (step - 1) / (step + 9)))
            if step % 100 == 0:
                print(f"step {step}, {(time.monotonic() - begun) / 60:.1f} minutes, loss {np.mean(losses[-100:]):.3f}")
            if time.monotonic() - begun - saved > SAVE_S:
                saved = time.monotonic() - begun
                save(mean, checkpoint)
    save(mean, checkpoint)
    return step


def loss_of(net: Net, batch: Batch) -> torch.Tensor:
    """The mean CTC loss a phone. bfloat16 where that is good enough: half as slow on a processor that has it."""
    with torch.autocast("cpu", dtype=torch.bfloat16):
        heard = net(torch.tensor(batch.spectrograms))
    lengths = torch.tensor([len(phones) for phones in batch.phones])
    wanted = torch.tensor([phone for phones in batch.phones for phone in phones], dtype=torch.long)
    frames = torch.full((len(batch.phones),), heard.shape[1])
    loss = functional.ctc_loss(heard.transpose(0, 1), wanted, frames, lengths, zero_infinity=True, reduction="none")
    return (loss / torch.clamp(lengths, min=4)).mean()


def _done(seconds: float, minutes: float, step: int, most_steps: int | None) -> float:
    """Share of the training that is behind (no unit)."""
    return max(seconds / (60 * minutes), step / most_steps if most_steps else 0.0)
