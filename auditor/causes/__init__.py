"""Why a gap or the end: clues of the files, the power set-up, and what to do next time."""
