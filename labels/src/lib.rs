//! Label papers, QR codes, layout, PDF and PNG.
