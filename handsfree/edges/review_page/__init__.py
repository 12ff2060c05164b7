"""One page on this machine, for going through the reps of a session: Starlette answers, uvicorn serves.

`serve` puts a Desk, which owns the log and the sound, behind HTTP; the page itself is plain files in static/.
"""

from handsfree.edges.review_page.server import Desk, Sound, serve
from handsfree.edges.review_page.shown import answer, heard, overtaken, state

__all__ = ["Desk", "Sound", "answer", "heard", "overtaken", "serve", "state"]
