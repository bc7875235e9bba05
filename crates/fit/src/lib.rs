//! Will it fit, where, on which piece; whole orders on many pieces; what is left.
