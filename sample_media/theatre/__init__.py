"""An invented teaching theatre: scene, camera, sound and file writing.

Everything here is drawn and synthesised; no recording was used. `scene` renders
linear light and labels, `camera` turns linear light into coded pictures, `sound`
makes the two microphones, `files` writes recordings and `takes` says which faults
go into which recording.
"""
