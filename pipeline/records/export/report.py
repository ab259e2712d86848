"""One reading as a DICOM TID 1500 measurement report (PS3.16, Comprehensive SR)."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from typing import Any

import numpy as np
from highdicom.sr import (
    AlgorithmIdentification,
    CodedConcept,
    ComprehensiveSR,
    DeviceObserverIdentifyingAttributes,
    FindingSite,
    GraphicTypeValues,
    ImageRegion,
    Measurement,
    MeasurementProperties,
    MeasurementReport,
    MeasurementsAndQualitativeEvaluations,
    ObservationContext,
    ObserverContext,
    PersonObserverIdentifyingAttributes,
    PlanarROIMeasurementsAndQualitativeEvaluations,
    QualitativeEvaluation,
    RelationshipTypeValues,
    SourceImageForMeasurementGroup,
    SourceImageForRegion,
    TextContentItem,
    TrackingIdentifier,
)
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes as standard

from pipeline.align.square import RADIUS_90
from pipeline.knee.landmarks import BY_NAME
from pipeline.records.export import codes as c
from pipeline.records.export.marks import Array, clip_line, clip_polygon, inside
from pipeline.records.export.record import NOTICE, Record
from pipeline.records.export.source import (
    person_name,
    set_character_set,
    short_text,
    stamp,
    uid_of,
)

MAKER, MODEL = "Squareon", "Squareon"
HALF = 0.5
"""From pixel centres at whole numbers to DICOM's corner of the first pixel at (0, 0)
(PS3.3 C.18.6 for coordinates in reports, C.10.5 for graphics)."""
SERIES_NUMBER = 9610

Group = MeasurementsAndQualitativeEvaluations | PlanarROIMeasurementsAndQualitativeEvaluations


@dataclass(frozen=True)
class Identity:
    """Who exports, and under which key UIDs are made.

    Attributes:
        organization: Verifying Organization, as the site names itself.
        key: UIDs of what is exported are made with it; b"" for the same UIDs everywhere.
    """

    organization: str = "not stated"
    key: bytes = b""


def measurement_report(record: Record, film: Dataset, identity: Identity) -> Dataset:
    """The report of one reading on `film`, the dataset of the original (or de-identified) film.

    An accepted reading gives a complete, verified, final report; any other a partial, unverified,
    preliminary one that says so in its title, its text and its series description.
    """
    builder = _Builder(record, film, identity)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # highdicom quotes values of the header
        return builder.report()


def made_by(record: Record) -> tuple[str, str, tuple[str, ...]]:
    """Name, version and parameters of the program that made the reading."""
    made = record.original["made_by"]
    weights = short_text(f"weights={made['weights']}", 1024)
    return MODEL, str(made["version"]), (weights, f"config_sha256={made['config_sha256']}")


def content_digest(record: Record, identity: Identity) -> str:
    """Changes whenever anything that an exported object tells changes."""
    told = {**dataclasses.asdict(record), "at": record.at.isoformat()}
    words = [told, identity.organization, version("squareon")]
    return hashlib.sha256(json.dumps(words, sort_keys=True, default=str).encode()).hexdigest()


def concept(code: c.Code) -> CodedConcept:
    return CodedConcept(code.value, code.scheme, code.meaning)


class _Builder:
    """Builds one report; holds what every part of it needs."""

    def __init__(self, record: Record, film: Dataset, identity: Identity) -> None:
        self.record, self.film, self.identity = record, film, identity
        self.reading = record.current
        self.digest = content_digest(record, identity)
        self.rows, self.columns = int(film.Rows), int(film.Columns)
        frame = self.reading["film"]["frame"]
        self.frames = None if frame is None else [int(frame)]
        name, program, parameters = made_by(record)
        self.algorithm = AlgorithmIdentification(name, program, parameters=list(parameters))
        side = self.reading["side"]["name"]
        self.laterality = concept(c.STANDARD[side]) if side in ("left", "right") else None

    # ---- the document ----

    def report(self) -> Dataset:
        record, reviewed = self.record, self.record.reviewed
        content = MeasurementReport(
            observation_context=self._observers(),
            procedure_reported=concept(c.STANDARD["plain radiography"]),
            imaging_measurements=self._groups(),
            title=concept(self._title()),
        )
        for words in self._texts():
            content[0].ContentSequence.append(
                TextContentItem(
                    concept(c.STANDARD["comment"]), words, RelationshipTypeValues.CONTAINS
                )
            )
        day, time, moment = stamp(record.at)
        described = "Squareon knee alignment"
        if record.mark:
            described = f"{record.mark} {described}, not a report"
        study = str(self.film.StudyInstanceUID)
        kind = "report" if reviewed else f"report {record.mark}"
        report = ComprehensiveSR(
            evidence=[self.film],
            content=content[0],
            series_instance_uid=uid_of(self.identity.key, "series", study, kind),
            series_number=SERIES_NUMBER if reviewed else SERIES_NUMBER + 1,
            sop_instance_uid=uid_of(
                self.identity.key, "report", str(self.film.SOPInstanceUID), self.digest
            ),
            instance_number=max(record.number, 1),
            manufacturer=MAKER,
            manufacturer_model_name=MODEL,
            software_versions=version("squareon"),
            device_serial_number="none",
            is_complete=reviewed,
            is_verified=reviewed,
            is_final=reviewed,
            verifying_observer_name=person_name(record.reviewer) if reviewed else None,
            verifying_organization=short_text(self.identity.organization, 64),
            series_description=described,
            specific_character_set="ISO_IR 192",
            content_date=day,
            content_time=time,
            coding_schemes=None,
        )
        if reviewed:
            report.VerifyingObserverSequence[0].VerificationDateTime = moment
            if record.second is not None:
                report.VerifyingObserverSequence.append(self._second(*record.second))
        else:
            report.CompletionFlagDescription = f"{record.mark}: no person has accepted it"
        report["InstanceCreationDate"].value, report["InstanceCreationTime"].value = day, time
        finish(report, self.film, record.at)
        return report

    def _second(self, name: str, at: datetime) -> Dataset:
        """The other reader of a double reading as a verifying observer."""
        item = Dataset()
        item.VerifyingObserverName = person_name(name)
        item.VerifyingOrganization = short_text(self.identity.organization, 64)
        item.VerificationDateTime = stamp(at)[2]
        item.VerifyingObserverIdentificationCodeSequence = []
        return item

    def _title(self) -> c.Code:
        if self.record.reviewed:
            return c.STANDARD["report"]
        rejected = self.record.state == "rejected"
        return c.OWN["rejected report" if rejected else "unreviewed report"]

    def _observers(self) -> ObservationContext:
        name, _, _ = made_by(self.record)
        device = ObserverContext(
            standard.DCM.Device,
            DeviceObserverIdentifyingAttributes(
                uid=uid_of(b"", "device", self.algorithm_version()),
                name=name,
                manufacturer_name=MAKER,
                model_name=MODEL,
                serial_number="none",
            ),
        )
        if not self.record.reviewed:
            return ObservationContext(observer_device_context=device)
        person = ObserverContext(
            standard.DCM.Person,
            PersonObserverIdentifyingAttributes(
                name=person_name(self.record.reviewer),
                organization_name=short_text(self.identity.organization, 64),
            ),
        )
        return ObservationContext(observer_person_context=person, observer_device_context=device)

    def algorithm_version(self) -> str:
        return str(self.record.original["made_by"]["version"])

    def _texts(self) -> list[str]:
        record, reading = self.record, self.reading
        texts = [NOTICE]
        if record.state == "rejected":
            texts.insert(0, f"{record.mark}. The reviewer rejected this reading: {record.reason}")
        elif not record.reviewed:
            texts.insert(0, f"{record.mark}. No person has accepted this reading.")
        else:
            how = "as proposed" if record.state == "accepted" else "with changes"
            texts.append(f"Accepted {how}.")
            if record.reason:
                texts.append(f"The reviewer's remark: {record.reason}")
        if reading["refused"]:
            texts.append(f"Not read: {reading['refused']}")
        if reading["alignment"] is not None:
            texts.append(
                "Angles are those of the knee in the beam, with 90 % intervals as upper and lower "
                "uncertainty. AP rotation is positive where the limb is turned inward, AP tilt "
                "where the near end of the beam is too cranial; lateral rotation is positive "
                "where the lateral end is too anterior, lateral tilt where it is too cranial."
            )
        rule = reading["scale"]["rule"]
        if reading["scale"]["mm_per_px_knee"] is not None:
            texts.append(f"Millimetres are at the knee; scale: {rule}.")
        moves = [f"{m['angle']}: {m['text']}" for m in reading["moves"]]
        texts += [f"Correcting move, {words}" for words in dict.fromkeys(moves)]
        texts += [f"Caution: {words}" for words in dict.fromkeys(reading["cautions"])]
        return [short_text(words, 10240) for words in texts]

    # ---- measurement groups ----

    def _groups(self) -> list[Group]:
        groups: list[Group] = [self._alignment()]
        alignment = self.reading["alignment"]
        if alignment is not None:
            groups += [self._criterion(row) for row in alignment["criteria"]]
        groups += [
            self._landmark(mark) for mark in self.reading["landmarks"] if mark["x"] is not None
        ]
        for number, proposal in enumerate(self.reading["proposals"]):
            groups += self._target(number, proposal)
        for number, warning in enumerate(self.reading["warnings"]):
            groups += self._zone(number, warning)
        return groups

    def _alignment(self) -> Group:
        reading, alignment = self.reading, self.reading["alignment"] or {}
        evaluations = [_told("review", c.OWN[self.record.state])]
        if (view := self._view()) is not None:
            evaluations.append(QualitativeEvaluation(concept(c.STANDARD["image view"]), view))
        measurements = []
        for name, code in (
            ("rotation", c.OWN["rotation"]),
            ("tilt", c.OWN["tilt"]),
            ("roll", c.OWN["roll"]),
            ("flexion", c.STANDARD["flexion"]),
            ("off_centre", c.OWN["off centre"]),
        ):
            value, interval = alignment.get(f"{name}_deg"), alignment.get(f"{name}_90")
            if value is not None:
                measurements.append(self._measured(code, value, c.STANDARD["degree"], interval))
        if alignment:
            evaluations.append(_told("square on", c.OWN[alignment["square"]]))
            for code, key in (
                (c.STANDARD["probability"], "square_probability"),
                (c.OWN["score"], "score"),
            ):
                if alignment.get(key) is not None:
                    one = c.STANDARD["one"]
                    measurements.append(self._measured(code, alignment[key], one))
        width = self._epicondylar_width()
        if width is not None:
            measurements.append(self._measured(c.OWN["epicondylar width"], *width))
        return MeasurementsAndQualitativeEvaluations(
            tracking_identifier=self._tracking(f"knee {reading['knee']['index']}"),
            finding_type=concept(c.OWN["alignment"]),
            finding_sites=[self._site("knee")],
            algorithm_id=self.algorithm,
            measurements=measurements,
            qualitative_evaluations=evaluations,
            source_images=[
                SourceImageForMeasurementGroup(
                    self.film.SOPClassUID, self.film.SOPInstanceUID, self.frames
                )
            ],
        )

    def _view(self) -> CodedConcept | None:
        name, side = self.reading["view"]["name"], self.reading["side"]["name"]
        if name == "lateral":
            return None if side is None else concept(c.STANDARD[f"{side} lateral"])
        return concept(c.STANDARD["AP"]) if name == "AP" else None

    def _epicondylar_width(self) -> tuple[float, c.Code] | None:
        """AP: distance of the epicondyles in mm at the knee, in pixels without a scale."""
        if self.reading["view"]["name"] != "AP":
            return None
        at = {m["name"]: (m["x"], m["y"]) for m in self.reading["landmarks"]}
        ends = [at.get(f"{side}_epicondyle", (None, None)) for side in ("medial", "lateral")]
        if any(x is None for x, _ in ends):
            return None
        pixels = float(np.hypot(ends[0][0] - ends[1][0], ends[0][1] - ends[1][1]))
        return self._length(pixels)

    def _length(self, pixels: float) -> tuple[float, c.Code]:
        scale = self.reading["scale"]["mm_per_px_knee"]
        if scale is None:
            return pixels, c.UNITS["pixel"]
        return pixels * float(scale), c.STANDARD["mm"]

    def _criterion(self, row: Mapping[str, Any]) -> Group:
        name = short_text(row["name"], 64)
        finding = c.CRITERION.get(row["name"], c.OWN["criterion"])
        unit, code = c.STANDARD["percent"], c.OWN["value"]
        if row["unit"].startswith("mm"):
            unit, code = c.STANDARD["mm"], c.STANDARD["length"]
        measurements = []
        known = row["unit"].startswith(("mm", "%"))
        for what, key in ((code, "value"), (c.OWN["tolerance"], "tolerance")):
            if known and row[key] is not None:
                measurements.append(self._measured(what, row[key], unit))
        return MeasurementsAndQualitativeEvaluations(
            tracking_identifier=self._tracking(f"criterion {name}"),
            finding_type=concept(finding),
            finding_sites=[self._site("knee")],
            algorithm_id=self.algorithm,
            measurements=measurements,
            qualitative_evaluations=[_told("judged", c.OWN[row["verdict"]])],
        )

    def _landmark(self, mark: Mapping[str, Any]) -> Group:
        name = mark["name"]
        origin = self.record.origin(name)
        measurements = []
        if mark["sd_major"] is not None:
            value, unit = self._length(RADIUS_90 * float(mark["sd_major"]))
            measurements.append(self._measured(c.OWN["radius 90"], value, unit))
        bone = BY_NAME[name].bone if name in BY_NAME else "knee"
        return self._region(
            name,
            c.LANDMARK.get(name, c.OWN["landmark"]),
            self._site(bone),
            GraphicTypeValues.POINT,
            np.array([[mark["x"], mark["y"]]], dtype=np.float64),
            measurements,
            [_told("origin", c.OWN[origin])],
        )

    def _target(self, number: int, proposal: Mapping[str, Any]) -> list[Group]:
        """A target that is shown; one that is withheld, or lies off the picture, gives nothing."""
        if proposal["status"] != "proposal" or not proposal["points"]:
            return []
        points = np.asarray(proposal["points"], dtype=np.float64)
        graphic = GraphicTypeValues.POINT
        if proposal["shape"] == "band":
            pieces = clip_line(points, self.rows, self.columns)
            graphic = GraphicTypeValues.POLYLINE
        else:
            pieces = [points] if inside(points, self.rows, self.columns).all() else []
        measurements = []
        if proposal["radius_90_px"] is not None:
            value, unit = self._length(float(proposal["radius_90_px"]))
            measurements.append(self._measured(c.OWN["radius 90"], value, unit))
        return [
            self._region(
                f"target {number} {proposal['target']}",
                c.OWN.get(proposal["target"], c.OWN["another target"]),
                self._site("knee"),
                graphic,
                piece,
                measurements,
                [_told("review", c.OWN[self.record.state])],
                category=c.OWN["target"],
            )
            for piece in pieces
        ]

    def _zone(self, number: int, warning: Mapping[str, Any]) -> list[Group]:
        corners = clip_polygon(
            np.asarray(warning["polygon"], dtype=np.float64), self.rows, self.columns
        )
        if len(corners) < 3:
            return []
        name = warning["name"].removesuffix(" zone")
        return [
            self._region(
                f"zone {number} {warning['name']}",
                c.OWN.get(name, c.OWN["another zone"]),
                self._site("knee"),
                GraphicTypeValues.POLYLINE,
                np.concatenate([corners, corners[:1]]),
                [],
                [],
                category=c.OWN["warning zone"],
            )
        ]

    # ---- parts of a group ----

    def _region(
        self,
        name: str,
        finding: c.Code,
        site: FindingSite,
        graphic: GraphicTypeValues,
        points: Array,
        measurements: Sequence[Measurement],
        evaluations: Sequence[QualitativeEvaluation],
        category: c.Code = c.OWN["landmark"],
    ) -> Group:
        source = SourceImageForRegion(self.film.SOPClassUID, self.film.SOPInstanceUID, self.frames)
        return PlanarROIMeasurementsAndQualitativeEvaluations(
            tracking_identifier=self._tracking(name),
            referenced_region=ImageRegion(graphic, points + HALF, source),
            finding_type=concept(finding),
            finding_category=concept(category),
            finding_sites=[site],
            algorithm_id=self.algorithm,
            measurements=list(measurements),
            qualitative_evaluations=list(evaluations),
        )

    def _measured(
        self,
        code: c.Code,
        value: float,
        unit: c.Code,
        interval: Sequence[float] | None = None,
    ) -> Measurement:
        properties = None
        if interval is not None:
            properties = MeasurementProperties(
                lower_measurement_uncertainty=_decimal(max(value - interval[0], 0.0)),
                upper_measurement_uncertainty=_decimal(max(interval[1] - value, 0.0)),
            )
            for item in properties:  # highdicom leaves them without a unit
                item.MeasuredValueSequence[0].MeasurementUnitsCodeSequence = [concept(unit)]
        return Measurement(
            name=concept(code), value=_decimal(value), unit=concept(unit), properties=properties
        )

    def _site(self, part: str) -> FindingSite:
        return FindingSite(concept(c.STANDARD[part]), laterality=self.laterality)

    def _tracking(self, name: str) -> TrackingIdentifier:
        words = (str(self.film.SOPInstanceUID), str(self.reading["knee"]["index"]), name)
        return TrackingIdentifier(
            uid=uid_of(self.identity.key, "tracking", str(self.frames), *words),
            identifier=short_text(name.replace("_", " "), 64),
        )


def _told(name: str, value: c.Code) -> QualitativeEvaluation:
    return QualitativeEvaluation(concept(c.OWN[name]), concept(value))


def _decimal(value: float) -> float:
    """Rounded as readings are, so that it fits the 16 characters of a decimal string."""
    return round(float(value), 4)


def finish(made: Dataset, film: Dataset, at: datetime) -> None:
    """Says what the private coding scheme is (PS3.3 C.12.1.1.1); no time of its own remains.

    An object made again from the same decision is then the same object. Text is written in the
    film's own character set where that can hold it, else in UTF-8.
    """
    day, time, _ = stamp(at)
    item = Dataset()
    item.CodingSchemeDesignator = c.PRIVATE
    item.CodingSchemeName = c.SCHEME_NAME
    made.CodingSchemeIdentificationSequence = [item]
    for equipment in made.get("ContributingEquipmentSequence") or []:
        equipment.ContributionDateTime = day + time
    set_character_set(made, str(film.get("SpecificCharacterSet") or ""))
