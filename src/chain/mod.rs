//! Calibration of the chain between groove and file, measured with a cable and
//! a test record, and correction of later captures.
//!
//! A mono groove's two walls, `GL` and `GR`, reach the file as `L = GL + c1 GR`
//! and `R = H (GR + c2 GL)`: `c1` (right into left) and `c2` (left into right)
//! are the cartridge's crosstalk, `H` is the chain's response, right over left;
//! what both channels share cancels. [`calibrate`] measures `H` from one signal
//! fed to both inputs and the crosstalk from bands cut into one channel alone,
//! and [`Calibration`] holds either or both, reads and writes them
//! ([`document`]), corrects a cross-spectrum, and gives the priors that they
//! replace and the shared errors that remain.
//!
//! Crosstalk scales a small delay by `Re[(1 - c1 c2) / ((1 + c1)(1 + c2))]` and
//! adds the phase `arg(1 + c1) - arg(1 + c2)` to `L conj(R)`.
//!
//! Crosstalk measured through a chain whose response is not known is that of
//! cartridge and chain together, `c1 / H` and `H c2`. With the same chain and
//! leads its inverse is just as exact; only with leads swapped since does it
//! need `H` to be near one.

mod build;
mod calibration;
pub mod document;
mod load;
mod response;
mod smooth;

pub use build::{
    CUTTER_SEPARATIONS_DB, CalibrateError, Calibrated, CalibrationCapture, CalibrationRequest,
    DEFAULT_BAND_HZ, DEFAULT_CUTTER_SEPARATION_DB, Role, SEPARATED_DB, balance_db, calibrate,
};
pub use calibration::{
    ApplyError, Calibration, CommonResponse, Corrected, Crosstalk, Estimated, PriorChanges,
    SourceFile,
};
pub use load::{
    CAPACITANCE_TOLERANCE, INDUCTANCE_TOLERANCE, RESISTANCE_TOLERANCE, load, load_term, load_terms,
};
pub use response::{ResponseDirection, ResponsePoint, response};
