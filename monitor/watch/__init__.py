"""`secondbell watch`: a small process on another host that tells when the monitor is gone, hangs or cannot store."""
