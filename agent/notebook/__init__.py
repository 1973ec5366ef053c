"""Files of field notes: read and checked, found in their folders, written anew from captures."""

from typing import Final

FILE_LIMIT: Final = 512 * 1024  # bytes of a file: 500 notes of a thousand characters each
