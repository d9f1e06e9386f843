//! Overlay.
