"""Training both networks on films that are made while they train.

Every random choice of a film is fixed by its seed; how often a film is seen depends on the speed
of the machine, so two runs agree in quality and not in bits.
"""

from __future__ import annotations

import json
import math
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn

from models import checkpoint
from models.backbone_net import keypoint_net
from models.blocks import parameters_of
from models.curves import CurveLog, draw
from models.develop import crops_of
from models.export import load_net
from models.feeder import Feeder, FeedPlan, SceneFeeder
from models.locator import LocatorNet
from models.losses import keypoint_loss, locator_loss
from models.options import TrainOptions
from models.ranks import Ranks
from models.replay import Ring, crop_batch, film_batch
from models.slots import Fed
from models.telling import Progress, summary
from models.validate import MeanShape, validate_keypoints, validate_locator
from pipeline.contracts import Developer, Scenario, SceneScenario
from pipeline.knee.errors import Problem
from pipeline.records.files import make_folder

CHECKPOINT = "checkpoint.safetensors"
WARM_UP_STEPS = 200
AVERAGE_EVERY = 4
"""Steps between updates of the averaged weights."""

CLOCK_EVERY = 8
"""Steps between looks at the clock, which all processes of a run share."""

TOGETHER = 32
"""Films added to the replay at once."""
CLIP = 5.0


def train(options: TrainOptions, scenarios: Sequence[Scenario], out: Path) -> dict[str, Any]:
    """Trains, or goes on where `out` holds a checkpoint, and returns the last measurement.

    Writes under `out`: checkpoint.safetensors, curves.csv, curves.html, validation.jsonl.
    The caller's module must be importable without side effects: workers are spawned.
    """
    if not scenarios:
        raise Problem("training", "no scenario to make films with", "name at least one")
    make_folder(out)
    return Training(options, out).run(scenarios)


def device_of(name: str, local: int = 0) -> torch.device:
    """`auto` takes a GPU where there is one; `local` says which of several."""
    if name == "auto":
        name = "cuda" if torch.cuda.is_available() else "cpu"
    if name.startswith("cuda") and not torch.cuda.is_available():
        raise Problem("device", "there is no CUDA device here", "choose `cpu` or `auto`")
    device = torch.device("cuda", local) if name == "cuda" else torch.device(name)
    if device.type == "cuda":
        torch.cuda.set_device(device)
    return device


def learning_rate_factor(step: int, progress: float) -> float:
    """A short linear rise by steps, then a cosine by the share of the time that has passed."""
    rise = min((step + 1) / WARM_UP_STEPS, 1.0)
    return rise * (0.002 + 0.998 * 0.5 * (1.0 + math.cos(math.pi * min(progress, 1.0))))


class Average:
    """Exponential moving average of a network, batch statistics included."""

    def __init__(self, net: nn.Module, decay: float) -> None:
        self.decay = decay
        self.held = {name: value.detach().clone() for name, value in net.state_dict().items()}

    @torch.no_grad()
    def update(self, net: nn.Module, step: int) -> None:
        decay = min(self.decay**AVERAGE_EVERY, (1 + step) / (10 + step))
        old, new = [], []
        for name, value in net.state_dict().items():
            if value.is_floating_point():
                old.append(self.held[name])
                new.append(value.detach())
        torch._foreach_lerp_(old, new, 1.0 - decay)


class Training:
    """One run: networks, optimizer, replay rings, clocks."""

    def __init__(self, options: TrainOptions, out: Path) -> None:
        self.options, self.out = options, out
        self.ranks = Ranks()
        self.device = device_of(options.device, self.ranks.local)
        if self.device.type == "cpu" and options.threads:
            torch.set_num_threads(options.threads)
        if self.device.type == "cuda":
            # coordinates go through matrix products: those must keep all their digits
            torch.backends.cuda.matmul.allow_tf32 = False
            torch.backends.cudnn.allow_tf32 = True
            torch.backends.cudnn.benchmark = True
        torch.manual_seed(options.seed)
        self.nets: dict[str, Any] = {
            "keypoints": keypoint_net(options.keypoints),
            "locator": LocatorNet(options.locator),
        }
        for net in self.nets.values():
            net.to(self.device, memory_format=torch.channels_last)
        self.forward: dict[str, Any] = dict(self.nets)
        if options.compile:
            self.forward = {name: torch.compile(net) for name, net in self.nets.items()}
        self.averages = {n: Average(net, options.ema) for n, net in self.nets.items()}
        self.optimizer = self._optimizer()
        self.generator = torch.Generator(self.device)
        self.generator.manual_seed(options.seed + 1000 * self.ranks.rank)
        self.crops = Ring(options.crop_capacity, self.device)
        self.scene_crops = Ring(options.crop_capacity, self.device)
        self.developer: Developer | None = None
        self.films = Ring(options.film_capacity, self.device)
        self.held_crops = Ring(max(4 * options.validation_films, 1), self.device)
        self.held_films = Ring(max(options.validation_films, 1), self.device)
        self.mean = MeanShape()
        self._pending: list[Fed] = []
        self.step = self.films_made = self.scenes_made = 0
        self.seconds_before = 0.0
        self.restarts = 0
        self._workers_alive: Callable[[], int] = lambda: 0
        self.last: dict[str, Any] = {}

    def _optimizer(self) -> torch.optim.Optimizer:
        """AdamW; biases, norms and the like do not decay."""
        every = [p for net in self.nets.values() for p in net.parameters()]
        groups = [
            {"params": [p for p in every if p.ndim > 1], "weight_decay": self.options.weight_decay},
            {"params": [p for p in every if p.ndim <= 1], "weight_decay": 0.0},
        ]
        fused = self.device.type == "cuda"
        return torch.optim.AdamW(groups, lr=self.options.learning_rate, fused=fused)

    # -- keeping

    def save(self) -> None:
        """Everything needed to go on, in one file; a broken state never replaces a sound one."""
        every = [p.detach() for net in self.nets.values() for p in net.parameters()]
        if not bool(torch.stack([p.isfinite().all() for p in every]).all()):
            return
        tensors: dict[str, Tensor] = checkpoint.optimizer_tensors(self.optimizer)
        for name, net in self.nets.items():
            tensors |= {f"{name}.{k}": v for k, v in net.state_dict().items()}
            tensors |= {f"average_{name}.{k}": v for k, v in self.averages[name].held.items()}
        facts = {
            "step": self.step,
            "films_made": self.films_made,
            "scenes_made": self.scenes_made,
            "seconds": self.seconds(),
            "options": asdict(self.options),
            "mean_shape": self.mean.to_facts(),
            "validation": self.last,
        }
        checkpoint.save(self.out / CHECKPOINT, tensors, facts)

    def restore(self) -> bool:
        """Goes on from the checkpoint in `out`, where there is one that fits."""
        path = self.out / CHECKPOINT
        if not path.exists():
            return False
        tensors, facts = checkpoint.load(path)
        for name in ("keypoints", "locator"):
            asked = getattr(self.options, name)
            if type(asked)(**facts["options"][name]) != asked:
                raise Problem(
                    str(path),
                    f"was trained with another size of network ({name}: {facts['options'][name]})",
                    "choose the same profile, or another output folder",
                )
        for name, net in self.nets.items():
            net.load_state_dict(checkpoint.part(tensors, name))
            held = checkpoint.part(tensors, f"average_{name}")
            self.averages[name].held = {k: v.to(self.device) for k, v in held.items()}
        checkpoint.restore_optimizer(self.optimizer, tensors)
        self.step, self.films_made = facts["step"], facts["films_made"]
        self.scenes_made = facts.get("scenes_made", 0)
        self.seconds_before = facts["seconds"]
        self.mean = MeanShape.from_facts(facts["mean_shape"])
        self.last = facts["validation"]
        return True

    def seconds(self) -> float:
        """Seconds trained, earlier runs of the same checkpoint included."""
        return self.seconds_before + time.monotonic() - self.started

    # -- the run

    def run(self, scenarios: Sequence[Scenario]) -> dict[str, Any]:
        self.started = time.monotonic()
        resumed = self.restore()
        if not resumed and self.options.start_from:
            self._begin_with(Path(self.options.start_from))
        options = self.options
        self._say(
            f"{'resumed at step ' + str(self.step) if resumed else 'started'} on {self.device}: "
            + ", ".join(f"{n} {parameters_of(net):,} parameters" for n, net in self.nets.items())
        )
        self.ranks.share(value for net in self.nets.values() for value in net.state_dict().values())
        workers = options.workers or max((os.cpu_count() or 2) // self.ranks.world - 1, 1)
        for_scenes = self._scene_workers(scenarios, workers)
        plan = FeedPlan(
            crop=options.keypoints.crop,
            picture=options.locator.picture,
            crops_per_film=options.crops_per_film,
            validation_films=options.validation_films if self.ranks.first else 0,
            seed=options.seed,
            # after a kill some films are made again rather than left out
            first=self.films_made * self.ranks.world,
            first_scene=self.scenes_made * self.ranks.world,
            shots=options.scene_shots,
            rank=self.ranks.rank,
            ranks=self.ranks.world,
        )
        sources = [one for one in scenarios if isinstance(one, SceneScenario)]
        with (
            Feeder(scenarios, plan, workers - for_scenes) as feeder,
            SceneFeeder(sources, plan, for_scenes) as scenes,
            Progress() as show,
        ):
            self._workers_alive = lambda: feeder.alive + scenes.alive
            try:
                self._loop(feeder, scenes, show)
            except (KeyboardInterrupt, Problem):
                if self.ranks.first:
                    self.save()
                raise
        if self.ranks.first:
            self._measure()
            self.save()
            draw(self.out / "curves.csv", self.out / "curves.html")
        self.ranks.close()
        return self.last

    def _scene_workers(self, scenarios: Sequence[Scenario], workers: int) -> int:
        """How many of the processes make scenes; prepares the device for them."""
        number = round(self.options.scene_share * workers)
        sources = [one for one in scenarios if isinstance(one, SceneScenario)]
        if not number or self.device.type != "cuda" or len(sources) < len(scenarios):
            return 0
        self.developer = sources[0].developer(str(self.device))
        return min(number, workers - 1)

    def _loop(self, feeder: Feeder, scenes: SceneFeeder, show: Any) -> None:
        options, total = self.options, 60.0 * self.options.minutes
        end = min(total, self.seconds_before + 60.0 * (options.pause_after or math.inf))
        log = CurveLog(self.out / "curves.csv")
        clocks = dict.fromkeys(("save", "log", "measure"), time.monotonic())
        sums: Tensor | None = None
        names: list[str] = []
        steps = films = begun = 0
        passed_s = self.seconds()
        while True:
            ready = self.crops.count >= options.warm and self.films.count > 0
            if self.developer is not None:
                ready = ready and self.scene_crops.count >= options.warm
            films += self._take(feeder, 24, 0.0 if ready else 1.0)
            if not ready or begun % options.scene_every == 0:
                films += self._develop(scenes)
            if not ready:
                show(self.seconds() / total, f"{self.crops.count} crops made")
                if self.seconds() > total:
                    break
                continue
            if begun == 0 and self.step == 0 and not options.start_from:
                self._set_prior()
            # all processes must take the same number of steps
            if begun % CLOCK_EVERY == 0:
                passed_s = self.ranks.told(self.seconds(), self.device)
            if passed_s >= end or (options.max_steps and self.step >= options.max_steps):
                break
            progress = passed_s / total
            names, parts = self._train_step(progress)
            sums = parts if sums is None else sums + parts
            steps += 1
            begun += 1
            if not self.ranks.first:
                continue
            now = time.monotonic()
            if now - clocks["log"] >= options.log_s:
                row = dict(zip(names, (sums / steps).tolist(), strict=True))
                if not all(math.isfinite(value) for value in row.values()):
                    self._retreat()
                else:
                    passed = now - clocks["log"]
                    self._log(log, row, steps / passed, films / passed)
                    show(progress, f"step {self.step}, loss {row['loss']:.2f}")
                clocks["log"], sums, steps, films = now, None, 0, 0
            if now - clocks["save"] >= options.save_s:
                self.save()
                clocks["save"] = time.monotonic()
            if now - clocks["measure"] >= options.validate_s:
                self._measure()
                clocks["measure"] = time.monotonic()

    def _develop(self, scenes: SceneFeeder) -> int:
        """Turns waiting scenes into crops; returns the number of films that they were."""
        if self.developer is None:
            return 0
        taken = scenes.take(self.options.scene_looks)
        if not taken:
            return 0
        self.scenes_made += len(taken)
        batch = crops_of(taken, self.developer, self.generator)
        self.scene_crops.put(batch)
        return len(batch["view"])

    def _take(self, feeder: Feeder, at_most: int, wait_s: float) -> int:
        """Moves what the workers have made into the rings; returns the number of films."""
        taken = feeder.take(at_most, wait_s)
        made = [fed for fed in taken if not fed.validation]
        self._pending += made
        # many at a time: every addition is a dozen copies to the device
        if self._pending and (wait_s or len(self._pending) >= TOGETHER):
            self.crops.add([fed.crops for fed in self._pending])
            self.films.add([fed.film for fed in self._pending])
            for fed in self._pending:
                self.mean.add(fed.crops)
            self._pending = []
        self.films_made += len(made)
        for fed in taken:
            if fed.validation:
                self.held_crops.add([fed.crops])
                self.held_films.add([fed.film])
        return len(made)

    def _begin_with(self, weights: Path) -> None:
        """Takes finished weights as the start of a new run."""
        for name, net in self.nets.items():
            begun, facts = load_net(weights, name)
            asked = getattr(self.options, name)
            if type(asked)(**facts["options"][name]) != asked:
                raise Problem(
                    str(weights), "holds networks of another size", "choose the profile they had"
                )
            net.load_state_dict(begun.state_dict())
            self.averages[name] = Average(net, self.options.ema)

    def _set_prior(self) -> None:
        """Tells the keypoint network where landmarks usually lie, from the crops made so far."""
        stored = self.crops.draw(max(self.options.warm, 256), self.generator)
        crops = crop_batch(stored, self.options.keypoints.crop, self.generator)
        self.nets["keypoints"].set_prior(crops["xy"], crops["known"])
        self.ranks.share([self.nets["keypoints"].prior])
        self.averages["keypoints"].held["prior"].copy_(self.nets["keypoints"].prior)

    def _train_step(self, progress: float) -> tuple[list[str], Tensor]:
        options = self.options
        rate = options.learning_rate * learning_rate_factor(self.step, progress)
        for group in self.optimizer.param_groups:
            group["lr"] = rate
        crops = crop_batch(self._stored_crops(), options.keypoints.crop, self.generator)
        films = film_batch(self.films.draw(options.film_batch, self.generator), self.generator)
        settled = 0.9 * min(max((progress - 0.1) / 0.2, 0.0), 1.0)
        self.optimizer.zero_grad(set_to_none=True)
        loss = torch.zeros((), device=self.device)
        parts: dict[str, Tensor] = {}
        bf16 = self.device.type == "cuda"
        with torch.autocast(self.device.type, dtype=torch.bfloat16, enabled=bf16):
            points = self.forward["keypoints"](_last(crops["picture"]))
            grid = self.forward["locator"](_last(films["picture"]))
        for one, more in (
            keypoint_loss(points, crops, options.keypoints.crop, settled),
            locator_loss(grid, films["knees"]),
        ):
            loss = loss + one
            parts |= more
        loss.backward()
        self.ranks.average([p for net in self.nets.values() for p in net.parameters()])
        # each network by itself: a hard batch of crops must not hold the locator back
        norms = [
            nn.utils.clip_grad_norm_(list(net.parameters()), CLIP, foreach=True)
            for net in self.nets.values()
        ]
        norm = torch.stack(norms).amax()
        self.optimizer.step()
        self.step += 1
        if self.step % AVERAGE_EVERY == 0:
            for name, net in self.nets.items():
                self.averages[name].update(net, self.step)
        names = ["loss", *parts, "gradient"]
        return names, torch.stack([loss.detach(), *parts.values(), norm.detach()])

    def _stored_crops(self) -> dict[str, Tensor]:
        """Crops for one step, from films and from scenes."""
        number, of_scenes = self.options.crop_batch, 0
        if self.developer is not None:
            of_scenes = round(self.options.scene_crops * number)
        stored = self.crops.draw(number - of_scenes, self.generator)
        if not of_scenes:
            return stored
        more = self.scene_crops.draw(of_scenes, self.generator)
        return {name: torch.cat([value, more[name]]) for name, value in stored.items()}

    def _retreat(self) -> None:
        """A loss that is no number: back to the last checkpoint, at most three times."""
        if self.ranks.world > 1:
            raise Problem(
                "training", "the loss is no longer a number", "start again from the last checkpoint"
            )
        self.restarts += 1
        started = self.seconds_before
        restored = self.restore()
        self.seconds_before = started
        if self.restarts > 3 or not restored:
            raise Problem("training", "the loss is no longer a number", "lower the learning rate")
        self._say(f"the loss was no number: back at step {self.step}")

    # -- telling

    def _measure(self) -> None:
        """Measures the averaged weights on the films held apart."""
        if not self.held_films.count:
            return
        result: dict[str, Any] = {"step": self.step, "minutes": self.seconds() / 60}
        nets = self.averaged()
        if self.held_crops.count:
            result["keypoints"] = validate_keypoints(nets["keypoints"], self.held_crops, self.mean)
        result["locator"] = validate_locator(nets["locator"], self.held_films)
        self.last = result
        with (self.out / "validation.jsonl").open("a") as handle:
            handle.write(json.dumps(result) + "\n")
        self._say(summary(result))

    def averaged(self) -> dict[str, Any]:
        """Copies of both networks with the averaged weights, ready to be measured."""
        nets: dict[str, Any] = {
            "keypoints": keypoint_net(self.options.keypoints),
            "locator": LocatorNet(self.options.locator),
        }
        for name, net in nets.items():
            net.to(self.device, memory_format=torch.channels_last)
            net.load_state_dict(self.averages[name].held)
            net.eval()
        return nets

    def _log(self, log: CurveLog, row: dict[str, float], steps: float, films: float) -> None:
        rate = self.optimizer.param_groups[0]["lr"]
        facts = {"step": self.step, "minutes": self.seconds() / 60, "learning_rate": rate}
        speeds = {"steps_per_s": steps, "films_per_s": films, "crops_held": self.crops.count}
        log.add({**facts, **row, **speeds})
        if not sys.stdout.isatty():
            self._say(
                f"step {self.step} {facts['minutes']:.2f} min loss {row['loss']:.3f} "
                f"heat {row['heat']:.3f} place {row['place']:.2f} px pose {row['pose']:.3f} "
                f"found {row['found']:.3f}; {steps:.1f} steps/s, {films:.0f} films/s, "
                f"{self.crops.count} + {self.scene_crops.count} crops, "
                f"{self._workers_alive()} workers"
            )

    def _say(self, text: str) -> None:
        if self.ranks.first:
            print(text, flush=True)


def _last(picture: Tensor) -> Tensor:
    return picture.contiguous(memory_format=torch.channels_last)
