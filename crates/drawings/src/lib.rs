//! Drawings in (parts) and out (cutting layouts).
