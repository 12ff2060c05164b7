"""Teach the ear one voice: its network read from Kaldi's file, moved a little, written again; all in numpy."""

from handsfree.edges.adaptation.learner import Learner, Stopped, Take, write_model
from handsfree.edges.adaptation.other_sound import Piece, read_other_sound
from handsfree.edges.adaptation.stretches import find_stretches

__all__ = ["Learner", "Piece", "Stopped", "Take", "find_stretches", "read_other_sound", "write_model"]
