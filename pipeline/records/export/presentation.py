"""One reading as a Grayscale Softcopy Presentation State (PS3.3 A.33.1): marks over the film.

The film's pixels stay as they are. Layer PROPOSAL holds what the program read; layer REVIEWED,
only after a person has accepted the reading, what that person left.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from importlib.metadata import version

import numpy as np
from highdicom import PresentationLUTTransformation
from highdicom.color import CIELabColor
from highdicom.pr import (
    GraphicAnnotation,
    GraphicLayer,
    GraphicObject,
    GrayscaleSoftcopyPresentationState,
    TextObject,
)
from pydicom.dataset import Dataset

from pipeline.knee.errors import Problem
from pipeline.records.export.marks import (
    Array,
    Mark,
    clip_line,
    clip_polygon,
    inside,
    marks_of,
    ring,
)
from pipeline.records.export.outlines import Outline
from pipeline.records.export.record import Record
from pipeline.records.export.report import (
    HALF,
    MAKER,
    MODEL,
    SERIES_NUMBER,
    Identity,
    content_digest,
    finish,
)
from pipeline.records.export.source import person_name, short_text, stamp, uid_of
from pipeline.records.export.words import told, verdict_words

PROPOSAL, REVIEWED = "PROPOSAL", "REVIEWED"

# CIELab of orange and sky blue of the Okabe and Ito palette (from memory): they differ in
# lightness too, and on a grey screen by shape and label alone.
_ORANGE, _SKY = CIELabColor(71.3, 15.0, 72.0), CIELabColor(69.7, -11.0, -35.0)


def presentation_state(
    record: Record,
    film: Dataset,
    identity: Identity,
    *,
    proposed_outline: Outline | None = None,
    reviewed_outline: Outline | None = None,
) -> Dataset:
    """The presentation state of one reading on `film`, the original's (or a clean) dataset.

    Raises `Problem` for a colour picture: a greyscale state cannot refer to one.
    """
    source = str(record.original["film"]["source"])
    if int(film.get("SamplesPerPixel", 1)) != 1:
        raise Problem(
            source,
            "is a colour picture, to which no greyscale presentation state can refer",
            "take the report, tables and pages instead",
        )
    proposal = GraphicLayer(PROPOSAL, 1, "Proposed by the program, not for guidance", _ORANGE)
    layers = [proposal]
    drawn = [(proposal, marks_of(record.original, proposed_outline))]
    if record.reviewed:
        reviewed = GraphicLayer(REVIEWED, 2, "As a person accepted it, not for guidance", _SKY)
        layers.append(reviewed)
        drawn.append((reviewed, marks_of(record.current, reviewed_outline)))
    frame = record.original["film"]["frame"]
    annotations = [
        GraphicAnnotation(
            referenced_images=[_referable(film)],
            graphic_layer=layer,
            referenced_frame_number=None if frame is None else int(frame),
            graphic_objects=_graphics(marks, film, layer.GraphicLayer) or None,
            text_objects=_texts(marks, film, record, layer.GraphicLayer),
        )
        for layer, marks in drawn
    ]
    day, time, _ = stamp(record.at)
    kind = "state" if record.reviewed else f"state {record.mark}"
    described = f"{record.mark} Squareon overlay".strip()
    inverse = film.get("PhotometricInterpretation") == "MONOCHROME1"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # highdicom quotes values of the header
        state = GrayscaleSoftcopyPresentationState(
            referenced_images=[_referable(film)],
            series_instance_uid=uid_of(identity.key, "series", str(film.StudyInstanceUID), kind),
            series_number=SERIES_NUMBER + (2 if record.reviewed else 3),
            sop_instance_uid=uid_of(
                identity.key, "state", str(film.SOPInstanceUID), content_digest(record, identity)
            ),
            instance_number=max(record.number, 1),
            manufacturer=MAKER,
            manufacturer_model_name=MODEL,
            software_versions=version("squareon"),
            device_serial_number="none",
            content_label=REVIEWED if record.reviewed else _label(record),
            content_description=short_text(described, 64),
            graphic_annotations=annotations,
            graphic_layers=layers,
            content_creator_name=person_name(record.reviewer) if record.reviewed else f"{MODEL}^",
            # The photometric interpretation counts for nothing once a state is applied
            # (PS3.4 N.2, from memory): where small values are bright, the state turns them.
            presentation_lut_transformation=PresentationLUTTransformation(
                presentation_lut_shape="INVERSE" if inverse else "IDENTITY"
            ),
            specific_character_set="ISO_IR 192",
            series_description=described,
        )
    for keyword in ("InstanceCreationDate", "PresentationCreationDate"):
        setattr(state, keyword, day)
    for keyword in ("InstanceCreationTime", "PresentationCreationTime"):
        setattr(state, keyword, time)
    finish(state, film, record.at)
    _grey_scale(state, film)
    _series_side(state, film)
    _pixel_shape(state, film)
    return state


def _label(record: Record) -> str:
    return "UNREVIEWED REJ" if record.state == "rejected" else "UNREVIEWED"


_GREY = frozenset(
    (
        "ModalityLUTSequence",
        "RescaleIntercept",
        "RescaleSlope",
        "RescaleType",
        "VOILUTSequence",
        "WindowCenter",
        "WindowWidth",
        "VOILUTFunction",
    )
)


def _referable(film: Dataset) -> Dataset:
    """The film as highdicom can refer to it.

    It takes every XA or RF film for an enhanced one, and fails on odd tables: those of ordinary
    films are copied by `_grey_scale` instead.
    """
    if "SharedFunctionalGroupsSequence" in film:
        return film
    copy = Dataset()
    copy.update({element.tag: element for element in film if element.keyword not in _GREY})
    copy.SharedFunctionalGroupsSequence = [Dataset()]
    copy.PerFrameFunctionalGroupsSequence = []
    return copy


def _grey_scale(state: Dataset, film: Dataset) -> None:
    """An ordinary film's own modality table or rescaling, and its VOI tables or windows."""
    if "SharedFunctionalGroupsSequence" in film:
        return
    rescale = ("RescaleIntercept", "RescaleSlope")
    if film.get("ModalityLUTSequence"):
        state.ModalityLUTSequence = film.ModalityLUTSequence
    elif all(film.get(keyword) is not None for keyword in rescale):
        for keyword in rescale:
            setattr(state, keyword, film[keyword].value)
        state.RescaleType = film.get("RescaleType") or "US"
    item = Dataset()
    if film.get("VOILUTSequence"):
        item.VOILUTSequence = film.VOILUTSequence
    elif film.get("WindowCenter") is not None and film.get("WindowWidth") is not None:
        for keyword in ("WindowCenter", "WindowWidth", "VOILUTFunction"):
            if film.get(keyword) is not None:
                setattr(item, keyword, film[keyword].value)
    if len(item):
        state.SoftcopyVOILUTSequence = [item]


def _series_side(state: Dataset, film: Dataset) -> None:
    """Laterality, which a series of one paired part needs (PS3.3 C.7.3.1), from the film."""
    side = film.get("Laterality") or film.get("ImageLaterality") or ""
    state.Laterality = side if side in ("L", "R") else ""


def _pixel_shape(state: Dataset, film: Dataset) -> None:
    """Pixels that are not square are shown as they are (PS3.3 C.10.4)."""
    for keyword in ("PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing"):
        spacing = film.get(keyword)
        if spacing is not None and len(spacing) == 2 and min(map(float, spacing)) > 0:
            down, across = (float(each) for each in spacing)
            if abs(down - across) > 1e-3 * across:
                area = state.DisplayedAreaSelectionSequence[0]
                del area.PresentationPixelAspectRatio
                area.PresentationPixelSpacing = [spacing[0], spacing[1]]
            return


# ---- marks as graphic and text objects ---------------------------------------------------------


def _graphics(marks: Sequence[Mark], film: Dataset, layer: str) -> list[GraphicObject]:
    rows, columns = int(film.Rows), int(film.Columns)
    objects = []
    for number, mark in enumerate(marks):
        words = f"{mark.kind} {mark.name}".replace("_", " ")
        for piece, (shape, points) in enumerate(_shapes(mark, rows, columns)):
            tracking = uid_of(
                b"", "graphic", str(film.SOPInstanceUID), layer, words, f"{number}.{piece}"
            )
            objects.append(
                GraphicObject(
                    graphic_type=shape,
                    graphic_data=points + HALF,
                    units="PIXEL",
                    tracking_id=short_text(words, 64),
                    tracking_uid=tracking,
                )
            )
    return objects


def _shapes(mark: Mark, rows: int, columns: int) -> list[tuple[str, Array]]:
    """Graphic types with their points, cut at the picture's edge: nothing may lie outside."""
    if mark.kind in ("fixed", "contour", "target"):
        points = mark.points[inside(mark.points, rows, columns)]
        return [("POINT", point[None]) for point in points]
    if mark.kind == "circle":
        around = ring(mark)
        if inside(around, rows, columns).all():
            return [("CIRCLE", np.array([mark.points[0], around[0]]))]
        return [("POLYLINE", piece) for piece in clip_line(around, rows, columns)]
    if mark.kind == "zone":
        corners = clip_polygon(mark.points, rows, columns)
        closed = np.concatenate([corners, corners[:1]])
        return [("POLYLINE", closed)] if len(corners) >= 3 else []
    points = mark.points
    if mark.kind == "outline":
        points = np.concatenate([points, points[:1]])
    return [("POLYLINE", piece) for piece in clip_line(points, rows, columns)]


def _texts(marks: Sequence[Mark], film: Dataset, record: Record, layer: str) -> list[TextObject]:
    """A block of words at the top left, and the name of each target and zone beside it."""
    rows, columns = int(film.Rows), int(film.Columns)
    reading = record.current if layer == REVIEWED else record.original
    head = [verdict_words(reading), *told(reading)]
    if layer == REVIEWED:
        head.insert(0, f"REVIEWED by {record.reviewer}, {record.at:%Y-%m-%d}")
        head.append("NOT FOR GUIDANCE")
        top = 0.02
    else:
        head.insert(0, f"{record.mark or PROPOSAL} - NOT FOR GUIDANCE")
        top = 0.84 if record.reviewed else 0.02
    texts = [
        TextObject(
            text_value="\r\n".join(head),
            units="DISPLAY",
            bounding_box=(0.02, top, 0.6, min(top + 0.16, 1.0)),
            text_justification="LEFT",
        )
    ]
    for mark in marks:
        if mark.kind not in ("target", "band", "zone"):
            continue
        shapes = _shapes(mark, rows, columns)
        if shapes:
            at = shapes[0][1].mean(axis=0) + HALF
            texts.append(
                TextObject(
                    text_value=mark.name,
                    units="PIXEL",
                    anchor_point=(float(at[0]), float(at[1])),
                    anchor_point_visible=True,
                )
            )
    return texts
