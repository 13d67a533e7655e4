"""ITU-R BS.1770-5 loudness and true peak, EBU loudness range."""
