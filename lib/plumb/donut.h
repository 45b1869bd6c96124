/* SPDX-License-Identifier: GPL-3.0-or-later */
/* donut.h - what stars out of focus say of the collimation (plumb-donut). Part of plumb.h. */
#ifndef PL_PUBLIC_DONUT_H
#define PL_PUBLIC_DONUT_H

/* Which side of focus the sensor stands on. One exposure looks the same from both. */
typedef enum { PL_SIDE_UNKNOWN = 0, PL_SIDE_OUT, PL_SIDE_IN } pl_side;

enum { PL_NOLL_FIRST = 4, PL_NOLL_LAST = 15 }; /* Noll's j that may be told */

/* A wavefront. Zernikes after Noll 1976 (JOSA 66, 207): RMS over the full circle. Pupil axes are
 * the frame's, as a donut outside focus shows the pupil; rays go to +2N grad W. While the side is
 * unknown, defocus, astigmatism, spherical and the shadow have the signs of a star outside. */
typedef struct {
    double defocus_um, defocus_sigma_um; /* + = sensor too far out */
    double zernike_nm[PL_NOLL_LAST + 1], zernike_sigma_nm[PL_NOLL_LAST + 1]; /* NaN: not fitted */
    double coma_nm, coma_sigma_nm, coma_deg, coma_sigma_deg;                 /* core to flare */
    double astigmatism_nm, astigmatism_sigma_nm;
    double astigmatism_deg, astigmatism_sigma_deg; /* NaN while the side is unknown */
    double trefoil_nm, trefoil_sigma_nm, trefoil_deg, trefoil_sigma_deg; /* [0, 120) */
    double spherical_nm, spherical_sigma_nm;
    double shadow_mm, shadow_sigma_mm, shadow_deg, shadow_sigma_deg; /* of the secondary */
    double seeing_arcsec, seeing_sigma_arcsec;
} pl_wavefront;

enum { PL_RING_ANGLES = 36 }; /* one each ten degrees, from +x towards +y */

/* One donut; its errors are photon and read noise. */
typedef struct {
    size_t frame;                                 /* of those given */
    double x_px, y_px, centre_sigma_px;           /* the rim's centre */
    double outer_px, inner_px;                    /* diameters of rim and hole */
    double hole_dx_px, hole_dy_px, hole_sigma_px; /* hole centre less rim centre */
    double snr;                                   /* of one pixel in the ring */
    bool used;
    char reason[96]; /* why not */
    pl_wavefront wave;
    double misfit;      /* chi square over degrees of freedom */
    double unexplained; /* part of the ring's light that the model misses beyond the noise */
    /* the picture: NULL for a donut that is not used */
    int side_px, x0_px, y0_px;
    float *seen, *model; /* [side_px][side_px] ADU; seen is NaN where masked */
    double rim_px[PL_RING_ANGLES], rim_sigma_px[PL_RING_ANGLES]; /* radius about the rim's centre */
    double bore_px[PL_RING_ANGLES], bore_sigma_px[PL_RING_ANGLES];
} pl_donut_star;

typedef struct {
    pl_side side;         /* of the first frame, when the user knows */
    bool pair;            /* two frames, one on each side */
    int last;             /* Noll's last j that is fitted, 11 or 15 */
    double seeing_arcsec; /* of the tolerance; NaN: what the donuts show */
    double wavelength_um; /* NaN: 0.53 on a mosaic, else 0.55 */
} pl_donut_options;

/* pl_donut - everything plumb-donut says of the frames it was given, together. */
typedef struct {
    size_t frames;
    int width_px, height_px;
    char mosaic[8];
    double lambda_um, obstruction; /* that were used */
    pl_donut_star *star;           /* [stars], usable ones first */
    size_t stars, used;
    pl_side side;           /* of the first frame */
    pl_wavefront wave;      /* of all, at the frame's centre; errors with the air's share */
    double centred_coma_nm; /* what a fit that takes the secondary for centred would say */
    double air_coma_nm;     /* the air's share of the error of coma */
    double place_coma_nm;   /* what the star's place would make without a corrector, when one cannot
                               be told; else 0 */
    double growth_coma_nm, growth_mm; /* allowed: where FWHM grows by the tolerance */
    double ideal_coma_nm, ideal_mm;   /* at lambda/14 */
    double tolerance_seeing_arcsec;
    double axis_mm, axis_sigma_mm, axis_deg, axis_sigma_deg; /* centre to coma-free point */
    pl_verdict verdict;
    pl_facts facts;
    pl_notes notes;
} pl_donut;

PL_API pl_donut_options pl_donut_defaults(void);

/* pl_donut_set - one option from text: "side", "pair" (value ignored), "terms", "seeing",
 * "wavelength". Gives: PL_EARG for an unknown name or value. */
PL_API pl_status pl_donut_set(pl_donut_options *options, const char *name, const char *value,
                              pl_err *err);

/* pl_donut_measure - find the donuts of frames of one telescope left as it is, fit each one's
 * wavefront, and say how the collimation stands.
 *   frame    in   [frames] open frames of one size, one to 64
 *   facts    in   from profile and command line; the first frame's header is merged under them
 *   jobs     in   threads, < 1: one per processor
 *   out      out  whole, or untouched; free with pl_donut_clear
 * Gives: PL_ENODATA when no donut can be read or an indispensable fact is missing (aperture, focal
 * length, pixel size): what was found, and what would help. */
PL_API pl_status pl_donut_measure(const pl_frame *const *frame, size_t frames,
                                  const pl_facts *facts, const pl_donut_options *options, int jobs,
                                  pl_donut *out, pl_err *err);
PL_API void pl_donut_clear(pl_donut *donut);

/* pl_hand - the gap that a hand over the tube's mouth, on the focuser's side, leaves in a ring. */
typedef struct {
    double x_px, y_px;         /* the ring */
    double gap_deg, width_deg; /* as the frame shows it */
    pl_side side;              /* told, or by a focuser_deg that was known before */
    double focuser_deg; /* as a donut outside focus shows it; NaN while the side is unknown */
} pl_hand;

/* pl_hand_find
 *   facts  in  focuser_deg, when known, tells the side; obstruction and saturation are used
 *   side   in  when the user knows it
 * Gives: PL_ENODATA when there is no ring with one gap. */
PL_API pl_status pl_hand_find(const pl_frame *frame, const pl_facts *facts, pl_side side, int jobs,
                              pl_hand *out, pl_err *err);

/* What donuts say, and its picture: the unrolled ring, the image beside its model, a plan of the
 * frame. `file`: [donut->frames] */
PL_API char *pl_donut_text(const pl_donut *donut, const char *const *file);
PL_API char *pl_donut_json(const pl_donut *donut, const char *const *file);
PL_API char *pl_hand_text(const pl_hand *hand, const char *file);
PL_API char *pl_hand_json(const pl_hand *hand, const char *file);
PL_API pl_status pl_donut_draw(const pl_donut *donut, const char *const *file, bool red,
                               const char *png, pl_err *err);

#endif
