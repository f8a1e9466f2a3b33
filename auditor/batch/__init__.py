"""Many studies: found, audited in parallel, listed, remembered."""
