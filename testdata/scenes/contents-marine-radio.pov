#version 3.7;
// Contents of a parcel laid out: a hand-held marine radio, its cradle, its box.
// shows: radio, cradle, clip, box
#declare Rad = 1;
#include "bench.inc"
#include "devices.inc"
Cam(<-110, 350, -470>, <10, 62, 10>, 46, <-30, 34, -60>, 8)
Studio(450, 0.95, 0.38)
Wood(-3)
object { RBox(<-340, -3, -240>, <340, 0, 300>, 1.4) texture { pigment { srgb <0.22,0.36,0.47> } normal { bumps 0.2 scale 3 } finish { diffuse 0.8 specular 0.08 roughness 0.1 } } }
union { MarineRadio(1) rotate y*-24 translate <-62, 0, -56> }
// printed box
union {
  object { RBox(<-70, 0, -48>, <70, 210, 48>, 1.2) texture { pigment { gradient y color_map { [0 srgb <0.07,0.15,0.26>] [0.62 srgb <0.07,0.15,0.26>] [0.621 srgb <0.88,0.46,0.10>] [0.645 srgb <0.88,0.46,0.10>] [0.646 srgb <0.90,0.90,0.88>] [1 srgb <0.90,0.90,0.88>] } scale 210 } normal { wrinkles 0.04 scale 40 } finish { diffuse 0.8 specular 0.35 roughness 0.02 reflection { 0.01, 0.15 falloff 3 } } } }
  object { Panel("OSTRAVA TIDE", 14) translate <0, 178, -48.2> texture { pigment { srgb <0.07,0.15,0.26> } finish { diffuse 0.8 } } }
  object { Panel("VHF 5 marine radio", 9) translate <0, 155, -48.2> texture { pigment { srgb <0.07,0.15,0.26> } finish { diffuse 0.8 } } }
  object { Panel("16", 62) translate <-14, 78, -48.2> texture { T_Print } } object { Panel("watertight  floats  5 W", 7) translate <-4, 30, -48.2> texture { T_Print } }
  box { <-1, 209, -48>, <1, 210.2, 48> texture { T_Hole } }
  rotate y*-20 translate <104, 0, 84>
}
// charging cradle and belt clip
union {
  difference { object { RBox(<-46, 0, -36>, <46, 34, 36>, 8) } object { RBox(<-33, 8, -22>, <33, 60, 22>, 7) } T_Plastic(<0.11,0.115,0.12>, 0.6) }
  sphere { <32, 20, -36>, 3 T_Lit(<0.9,0.2,0.1>, 0.5) }
  rotate y*18 translate <112, 0, -84>
}
#local P = array[6] { <150, 8, -60>, <200, 4, -40>, <230, 3, -90>, <190, 3, -140>, <120, 3, -160>, <60, 3, -150> }
object { Wire(P, 6, 2.4) texture { T_Rubber } }
union { object { RBox(<-12, 0, -30>, <12, 4, 30>, 1.5) } object { RBox(<-10, 4, -30>, <10, 9, -24>, 1.5) } object { RBox(<-10, 8, -30>, <10, 11, 26>, 1.5) } texture { T_Rubber } rotate y*40 translate <14, 0, -118> }
