"""How long a reading takes beside its networks' bare forward passes, and how much memory.

    python tests/models/bench_read.py [--threads 2] [--rounds 15] [--openvino] [--int8]

A synthetic knee enlarged to 2304 x 2880 is written as a DICOM file and read again and again in one
process: file to reading without pictures. In the same process, and in turns with it, the same
networks run alone on the very crops that the reading gave them. Printed are medians, ratios and the
peak memory. `--openvino` and `--int8` time the same crops in OpenVINO, and quantised to 8 bits by
ONNX Runtime (static, calibrated on these crops; nothing is kept): both need packages that the
program does not.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import onnxruntime
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian, generate_uid

from models.onnx_detector import SHIPPED
from pipeline.batch import ReadSettings, parts_of
from pipeline.cli import compose
from pipeline.readers.dicom import DicomReader
from pipeline.registry import build
from pipeline.run import examine, reading_of

ROWS, COLUMNS = 2880, 2304


def write_film(path: Path, view: str, seed: int) -> None:
    """A 16-bit DICOM file of an invented knee."""
    options = {"views": [view], "styles": ["radiography"], "max_px": 1200}
    shares = {"other_share": 0.0, "no_knee_share": 0.0, "two_knees_share": 0.0}
    film = build("scenario", "knee_films", {**options, **shares}).make(seed).film
    grey = cv2.resize(film.pixels, (COLUMNS, ROWS), interpolation=cv2.INTER_CUBIC)
    data = Dataset()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.file_meta.MediaStorageSOPClassUID = DigitalXRayImageStorageForPresentation
    data.SOPClassUID, data.SOPInstanceUID = DigitalXRayImageStorageForPresentation, generate_uid()
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID
    data.StudyInstanceUID, data.SeriesInstanceUID = generate_uid(), generate_uid()
    data.Modality, data.PhotometricInterpretation, data.SamplesPerPixel = "DX", "MONOCHROME2", 1
    data.Rows, data.Columns = ROWS, COLUMNS
    data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 12, 11, 0
    data.PixelData = (np.clip(grey, 0, 1) * 4095).astype(np.uint16).tobytes()
    data.save_as(path, enforce_file_format=True)


def median_ms(
    work: Callable[[], Any], rounds: int, clock: Callable[[], float] = time.perf_counter
) -> float:
    times = []
    for _ in range(rounds):
        start = clock()
        work()
        times.append(clock() - start)
    return 1e3 * float(np.median(times))


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


class Recorder:
    """Notes every picture that a detector's networks get."""

    def __init__(self, detector: Any) -> None:
        self.pictures: list[tuple[str, np.ndarray]] = []
        run = detector._run

        def noting(name: str, picture: np.ndarray) -> Any:
            self.pictures.append((name, picture))
            return run(name, picture)

        detector._run = noting


def sessions(folder: Path, threads: int, suffix: str = "") -> dict[str, Any]:
    """The networks alone, as the detector opens them."""
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads, options.inter_op_num_threads = threads, 1
    options.log_severity_level = 3
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    return {
        name: onnxruntime.InferenceSession(
            str(folder / f"{name}{suffix}.onnx"), options, providers=["CPUExecutionProvider"]
        )
        for name in ("locator", "keypoints")
    }


def quantised(pictures: list[tuple[str, np.ndarray]], folder: Path) -> None:
    """Both networks in 8 bits (static, calibrated on the crops themselves), into `folder`."""
    from onnxruntime.quantization import CalibrationDataReader, QuantType, quantize_static

    class Crops(CalibrationDataReader):
        def __init__(self, name: str) -> None:
            own = [p for n, p in pictures if n == name]
            self.rows = iter([{"picture": p[None, None]} for p in own])

        def get_next(self) -> Any:
            return next(self.rows, None)

    for name in ("locator", "keypoints"):
        quantize_static(
            str(SHIPPED / f"{name}.onnx"),
            str(folder / f"{name}.int8.onnx"),
            Crops(name),
            weight_type=QuantType.QInt8,
            per_channel=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--openvino", action="store_true")
    parser.add_argument("--int8", action="store_true")
    arguments = parser.parse_args()
    threads, rounds = arguments.threads, arguments.rounds
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = {view: folder / f"{view}.dcm" for view in ("AP", "lateral")}
        for view, path in paths.items():
            # in a process of its own: drawing a film takes more memory than reading one
            with ProcessPoolExecutor(1, get_context("spawn")) as pool:
                pool.submit(write_film, path, view, 500_003).result()
        words = [f"detector.threads={threads}"]
        parts = parts_of(ReadSettings(**compose("read", ReadSettings, words)))
        recorder = Recorder(parts.detector)
        reader = DicomReader()

        def read(path: Path) -> Any:
            (film,) = reader.read(path)
            return [reading_of(look, None, parts) for look in examine(film, parts)]

        alone = sessions(SHIPPED, threads)
        print(f"{threads} threads, {COLUMNS} x {ROWS}, medians of {rounds}")
        crops = []
        for view, path in paths.items():
            (film,) = reader.read(path)
            (found, *_) = parts.detector.detect(film)
            refused = read(path)[0].refused
            recorder.pictures.clear()
            read(path)
            own = list(recorder.pictures)
            crops += own

            def bare(nets: dict[str, Any], pictures: list[tuple[str, np.ndarray]] = own) -> None:
                for net, picture in pictures:
                    nets[net].run(None, {"picture": picture[None, None]})

            whole, nets = [], []
            for _ in range(3):  # in turns, so that a busy moment strikes both
                whole.append(median_ms(partial(read, path), rounds // 3 + 1))
                nets.append(median_ms(partial(bare, alone), rounds // 3 + 1))
            cpu = [
                median_ms(work, rounds // 3 + 1, time.process_time)
                for work in (partial(read, path), partial(bare, alone))
            ]
            decode = median_ms(lambda path=path: list(reader.read(path)), rounds)
            detect = median_ms(lambda film=film: parts.detector.detect(film), rounds)
            fit = median_ms(lambda film=film, found=found: parts.pose.estimate(film, found), rounds)
            total, networks = float(np.median(whole)), float(np.median(nets))
            print(
                f"{view}: reading {total:.0f} ms = {total / networks:.2f} x the networks alone "
                f"({networks:.0f} ms, {len(own)} passes); decoding {decode:.0f}, detector "
                f"{detect:.0f}, fit {fit:.0f}; processor time {cpu[0]:.0f} and {cpu[1]:.0f} ms"
                f"{'; refused: ' + refused if refused else ''}"
            )
            if arguments.openvino:
                print(f"  OpenVINO: networks alone {openvino_ms(own, threads, rounds):.0f} ms")
        print(f"peak memory {peak_mb():.0f} MB")
        if arguments.int8:
            quantised(crops, folder)
            small = sessions(folder, threads, ".int8")
            took = median_ms(partial(bare, small), rounds)
            print(f"8 bits: networks alone {took:.0f} ms (lateral)")
            worst: dict[str, float] = {}
            for net, picture in crops:
                outputs = [o.name for o in alone[net].get_outputs()]
                both = (
                    s[net].run(outputs, {"picture": picture[None, None]}) for s in (alone, small)
                )
                for output, one, two in zip(outputs, *both, strict=True):
                    off = float(np.abs(one.astype(float) - two.astype(float)).max())
                    worst[f"{net} {output}"] = max(off, worst.get(f"{net} {output}", 0.0))
            told = ", ".join(f"{output} {off:.2f}" for output, off in worst.items())
            print(f"  largest changes: {told}")


def openvino_ms(pictures: list[tuple[str, np.ndarray]], threads: int, rounds: int) -> float:
    """The same passes in OpenVINO, in single precision."""
    import openvino

    core = openvino.Core()
    options = {"INFERENCE_NUM_THREADS": threads, "INFERENCE_PRECISION_HINT": "f32"}
    nets = {
        name: core.compile_model(str(SHIPPED / f"{name}.onnx"), "CPU", options)
        for name in ("locator", "keypoints")
    }

    def run() -> None:
        for net, picture in pictures:
            nets[net]([picture[None, None]])

    run()
    return median_ms(run, rounds)


if __name__ == "__main__":
    main()
