"""One EDF, EDF+ or BDF file: its bytes to a ``Recording``.

``header`` reads claims, ``records`` the annotation bytes, ``tail`` where the recording ends,
``timing`` the records' length and starts; ``reader`` composes them.
"""

from auditor.edf.header import looks_like_recording
from auditor.edf.reader import read_recording
from auditor.edf.source import LocalFile, open_bytes
from auditor.model import ByteSource

__all__ = ["ByteSource", "LocalFile", "looks_like_recording", "open_bytes", "read_recording"]
