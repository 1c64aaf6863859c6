"""File to Recording: the lazy model, the readers, the setup file.

``open_recording`` and ``load_setup`` are imported from ``witnessmark.recording.open`` and
``witnessmark.recording.setup``; nothing heavy is imported here.
"""
