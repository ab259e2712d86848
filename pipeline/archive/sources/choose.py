"""The source that an address names."""

from __future__ import annotations

from pathlib import Path

from pipeline.archive.contract import Source
from pipeline.archive.sources.network import Network
from pipeline.knee.errors import Problem

ADDRESSES = "a folder, a DICOMDIR, https://SERVER/dicom-web or dicom://AET@HOST:PORT"


def source_of(address: str, network: Network | None = None) -> Source:
    """The source at `address`; nothing is opened or asked yet. Raises `Problem`.

    Args:
        network: how to talk to it where it is a server.
    """
    network = network or Network()
    scheme = address.partition("://")[0].lower() if "://" in address else ""
    if scheme in ("http", "https"):
        from pipeline.archive.sources.dicomweb import DicomwebSource

        return DicomwebSource(address, network)
    if scheme in ("dicom", "dicom-tls"):
        from pipeline.archive.sources.dimse import DimseSource

        return DimseSource(address, network)
    if scheme:
        raise Problem(f"{scheme}://", "is no source of films", f"give {ADDRESSES}")
    path = Path(address).absolute()
    if path.name.upper() == "DICOMDIR" and path.is_file():
        from pipeline.archive.sources.dicomdir import DicomdirSource

        return DicomdirSource(str(path))
    from pipeline.archive.sources.folder import FolderSource

    return FolderSource(address)
