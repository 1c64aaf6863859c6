"""One module a format: ``write(path, recording, told)`` writes a whole recording to a path of its own.

``told`` is called with the share done. Raises :class:`~witnessmark.recording.writers.fit.Unfit` where the format cannot
hold the recording; gives sentences on what it does not keep. The path is one that nobody else sees yet.
"""
