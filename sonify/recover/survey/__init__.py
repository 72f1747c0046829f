"""Every hole of a cut disc against its design, before the disc is mounted.

A photograph (`picture.py`), a drawing or another disc (`drawing.py`) gives the holes that are there
in the design's own mm; `survey.py` judges each site; `report.py` tells and draws it. As the design
is known, its holes also refine how the disc lies in the picture.
"""

from __future__ import annotations

from sonify.recover.survey.survey import Survey, survey

__all__ = ["Survey", "survey"]
