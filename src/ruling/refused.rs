//! Why a photograph was not taken for a ruled scale: what was seen, and what to do.

/// The reason, from the least that was there to the most.
#[derive(Clone, Debug, PartialEq, PartialOrd)]
pub enum Refused {
    /// The picture is smaller than 64 pixels on a side.
    TooSmall,
    /// No place holds parallel lines that come back at even distances.
    NothingRepeats,
    /// Lines were seen, and too few to tell a scale by.
    TooFew {
        /// Lines found.
        lines: usize,
    },
    /// Lines so faint that they may come from how the picture was stored.
    TooFaint,
    /// Parallel stripes that are interrupted along their length, as rows of text or of grains are.
    Interrupted,
    /// Parallel lines that are not straight.
    Crooked,
    /// Parallel lines at uneven distances.
    Uneven {
        /// Scatter of the lines about even distances, share of the distance.
        scatter: f64,
    },
    /// Parallel lines at even distances that differ in strength.
    Unlike,
    /// As many strong lines between the even ones as are good for another pattern.
    Others {
        /// Lines at even distances.
        even: usize,
        /// Lines between them.
        between: usize,
    },
    /// Grey between the lines tells of finer lines that the pixels do not show.
    FinerLines,
    /// Longer lines come too often for the division that was stated.
    LongTooOften {
        /// Every how many lines a longer one stands.
        every: usize,
        /// Division that was stated or taken, µm.
        division_um: f64,
    },
    /// Both ends are in the picture, and the number of divisions is one of a coarser scale.
    FewDivisions {
        /// Divisions from end to end.
        divisions: usize,
    },
    /// The result lies outside of what a light microscope can have.
    Unbelievable {
        /// Micrometres per pixel that it would be.
        um_per_px: f64,
    },
}

impl Refused {
    /// What is wrong with the photograph: a fragment that follows its name.
    #[must_use]
    pub fn what(&self) -> String {
        match self {
            Self::TooSmall => "is smaller than 64 pixels on a side".into(),
            Self::NothingRepeats => {
                "shows no ruled scale: nowhere do parallel lines come back at even distances".into()
            }
            Self::TooFew { lines } => format!("shows {lines} evenly ruled lines, too few to tell a scale by"),
            Self::TooFaint => "shows lines too faint to be told from the traces of how it was stored".into(),
            Self::Interrupted => {
                "shows stripes that are interrupted along their length, which ruled lines are not".into()
            }
            Self::Crooked => "shows parallel lines that are not straight, which ruled ones are".into(),
            Self::Uneven { scatter } => format!(
                "shows parallel lines at uneven distances (they scatter by {:.0} %), which a ruled scale does not",
                100.0 * scatter
            ),
            Self::Unlike => "shows parallel lines that differ much in strength, which ruled ones do not".into(),
            Self::Others { even, between } => {
                format!(
                    "shows {between} strong lines between {even} evenly ruled ones: it is not clear which are divisions"
                )
            }
            Self::FinerLines => {
                "shows a grey band between its lines: finer lines may be there that the pixels do not show".into()
            }
            Self::LongTooOften { every, division_um } => format!(
                "shows a longer line at every {every}, so that at {division_um} um a division the longer ones would stand for \
                 {} um: finer lines may be there that the pixels do not show",
                *every as f64 * division_um
            ),
            Self::FewDivisions { divisions } => format!(
                "shows both ends of a scale of {divisions} divisions: it may be one ruled in 100 um, or only its long lines show"
            ),
            Self::Unbelievable { um_per_px } => {
                format!("would have {um_per_px:.3} um per pixel, which no light microscope has")
            }
        }
    }

    /// What to do: a fragment.
    #[must_use]
    pub fn remedy(&self) -> String {
        match self {
            Self::TooSmall | Self::NothingRepeats | Self::TooFew { .. } => {
                "photograph the stage micrometer in focus, with at least 8 of its lines in the picture".into()
            }
            Self::TooFaint => "close the condenser's diaphragm a little and focus on the lines".into(),
            Self::Interrupted | Self::Crooked | Self::Uneven { .. } | Self::Unlike | Self::Others { .. } => {
                "photograph a stage micrometer, clean and in focus, with nothing else in the picture".into()
            }
            Self::FinerLines => {
                "photograph it with a stronger objective or at the camera's full size, or state with --division-um what lies \
                 between the lines that show"
                    .into()
            }
            Self::LongTooOften { .. } => {
                "state with --division-um how far apart the lines are that show, or photograph it with a stronger objective".into()
            }
            Self::FewDivisions { .. } => {
                "state the distance of its lines, as --division-um 100 or --division-um 10".into()
            }
            Self::Unbelievable { .. } => "check --division-um: it is the distance from one line to the next".into(),
        }
    }
}
