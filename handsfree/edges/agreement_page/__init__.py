"""Agreement of two records for people and programs: text of 80 columns, JSON, and a page with a plot and sound."""

from handsfree.edges.agreement_page.page import CLIP_AFTER_S, CLIP_BEFORE_S, html
from handsfree.edges.agreement_page.plain import as_json, show

__all__ = ["CLIP_AFTER_S", "CLIP_BEFORE_S", "as_json", "html", "show"]
