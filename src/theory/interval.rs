//! Intervals with quality and number (minor sixth, perfect fourth, major tenth).
