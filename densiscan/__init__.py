"""densiscan: a flatbed scanner and one step wedge as a densitometer for black-and-white negatives."""

__version__ = "0.1.0"
