//! An evening from photos to payback, through the real binary.
