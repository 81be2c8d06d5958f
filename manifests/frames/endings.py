"""What files that claim to be FITS frames, or other images, are called, and how images begin."""

from __future__ import annotations

FITS_ENDINGS = (".fits", ".fit", ".fts", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz", ".fit.fz", ".fz")


def looks_like_a_frame(name: str) -> bool:
    """Return whether a file claims by its name to be FITS."""
    return name.lower().endswith(FITS_ENDINGS)


# Image formats in common use beside FITS; from memory of common practice. Cameras write the first ones; the
# others are as often pictures that a program keeps beside its log.
_CAMERA_ENDINGS = (
    *(".tif", ".tiff", ".jp2", ".avi", ".ser", ".xisf"),
    *(".dng", ".raw", ".arw", ".cr2", ".cr3", ".crw", ".nef", ".nrw", ".orf", ".pef", ".raf", ".rw2", ".srw"),
)
_PICTURE_ENDINGS = (".png", ".jpg", ".jpeg", ".bmp", ".gif", ".heic")
IMAGE_ENDINGS = _CAMERA_ENDINGS + _PICTURE_ENDINGS

# The first bytes of FITS (FITS Standard 4.0, 4.4.1.1), TIFF 6.0 (section 2; camera raw is often of this
# form), PNG (ISO/IEC 15948, 5.2) and JPEG (ISO/IEC 10918-1, B.1.1.3: start of image, then a marker).
_IMAGE_BEGINNINGS = (b"SIMPLE  =", b"II*\0", b"MM\0*", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff")
IMAGE_BEGINNING_BYTES = max(map(len, _IMAGE_BEGINNINGS))


def looks_like_an_image(name: str) -> bool:
    """Return whether a file claims by its name to be an image: FITS, camera raw or any other format."""
    return name.lower().endswith(FITS_ENDINGS + IMAGE_ENDINGS)


def counts_as_a_frame(name: str) -> bool:
    """Return whether a file is counted among a night's frames by its name: FITS, or what cameras write.

    Pictures of other formats are counted with the logs that they lie beside.
    """
    return name.lower().endswith(FITS_ENDINGS + _CAMERA_ENDINGS)


def begins_like_an_image(content: bytes) -> bool:
    """Return whether a file's first bytes are those of FITS or of another image format."""
    return content.startswith(_IMAGE_BEGINNINGS)
