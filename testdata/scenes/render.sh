#!/bin/sh
# Renders the demo photos again: POV-Ray 3.7 for the pictures, ImageMagick for
# grain, the corner mark and the JPEG.
#
#   ./render.sh                      all of them, 1600 x 1200
#   ./render.sh capacitor-new        only those named
#   WIDTH=400 LENS=3 ./render.sh     small and quick, to see what a change does
#
# WIDTH  width in pixels; the height is three quarters of it
# LENS   lens samples a pixel: more gives a smoother blur and takes longer
# OUT    where the JPEGs go
#
# One line of the table below is one picture: its name, the scene it comes from,
# and whether the scene is shown as found (0) or after the work (1).
set -eu
cd "$(dirname "$0")"
width=${WIDTH:-1600} lens=${LENS:-12} out=${OUT:-../../cmd/benchword/demophotos}
height=$((width * 3 / 4))
tmp=$(mktemp -d)
trap 'rm -rf "$tmp"' EXIT

table='
parcel-closed           parcel-closed          0
parcel-dented           parcel-closed          1
parcel-open             parcel-open            0
parcel-packed           parcel-open            1
contents-stage-piano    contents-stage-piano   0
contents-film-scanner   contents-film-scanner  0
contents-field-recorder contents-field-recorder 0
contents-muddy-recorder contents-field-recorder 1
contents-marine-radio   contents-marine-radio  0
contents-bench-supply   contents-bench-supply  0
board-burnt             board-burnt            0
capacitor-bulging       capacitor              0
pad-lifted-wire         pad-wire               0
flux-residue            flux                   0
flux-washed             flux                   1
solder-bridge           bridge                 0
joint-cracked           joint                  0
joint-resoldered        joint                  1
screw-missing           screw                  0
connector-corroded      connector              0
compound-dried          heatsink               0
compound-fresh          heatsink               1
flex-torn               flex                   0
test-meter              test-meter             0
test-bench-supply       test-bench-supply      0
test-load               test-load              0
'

echo "$table" | while read -r name scene after; do
  [ -n "$name" ] || continue
  if [ $# -gt 0 ]; then
    case " $* " in *" $name "*) ;; *) continue ;; esac
  fi
  echo "$name"
  if ! povray "$scene.pov" "+W$width" "+H$height" -A -D "+O$tmp/$name.png" \
    "Declare=After=$after" "Declare=Samples=$lens" >"$tmp/log" 2>&1 </dev/null; then
    cat "$tmp/log" >&2
    exit 1
  fi
  # A lens is a little soft and darker at its corners, a sensor a little noisy.
  # The mark says what it is; -strip leaves no EXIF.
  convert "$tmp/$name.png" -resize 1600x1200 -unsharp 0x1+0.35+0.02 \
    \( -size 1600x1200 radial-gradient:white-gray86 \) -compose multiply -composite \
    -seed 7 -attenuate 0.035 +noise Gaussian \
    -font DejaVu-Sans -pointsize 12 -gravity SouthEast \
    -fill 'rgba(0,0,0,0.55)' -annotate +13+9 illustration \
    -fill 'rgba(255,255,255,0.85)' -annotate +14+10 illustration \
    -strip -interlace JPEG -sampling-factor 4:2:0 \
    -define jpeg:extent=185kb "$out/$name.jpg"
done
