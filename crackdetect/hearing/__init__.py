"""Samples to scored candidates: one stage, one file, one public class."""
