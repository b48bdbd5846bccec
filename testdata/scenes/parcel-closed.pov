#version 3.7;
// A parcel as it came. After=0: sound. After=1: with its near corner crushed
// (not a pair to set side by side; the same carton serves both).
#declare Rad = 1;
#include "bench.inc"
#include "devices.inc"
#include "parcel.inc"
Cam(<-150, 420, -590>, <14, 58, -10>, 44, <20, 130, -110>, 9)
Studio(560, 0.95, 0.35)
Wood(-3)
difference { object { RBox(<-420, -3, -300>, <420, 0, 330>, 1.4) } plane { y, -50 } texture { pigment { srgb <0.18,0.34,0.30> } normal { bumps 0.2 scale 3 } finish { diffuse 0.8 specular 0.08 roughness 0.1 } } }
union {
  CartonMesh(310, 150, 230, After)
  // seam, and tape over it
  box { <-154, 149.9, -1.2>, <154, 150.75, 1.2> texture { T_Hole } }
  box { <-156, 150.5, -26>, <156, 151.2, 26> texture { T_Tape } }
  box { <155.2, 88, -26>, <156.2, 151.2, 26> texture { T_Tape } }
  box { <-156.2, 84, -26>, <-155.2, 151.2, 26> texture { T_Tape } }
  object { Label(130, 96) rotate y*-3 translate <-66, 151.4, -62> }
  object { Letters("FRAGILE", 21, 0.2) rotate x*-90 translate <-62, 78, -116.6> texture { pigment { srgb <0.66,0.10,0.08> } finish { diffuse 0.8 } } }
  object { Letters("electronics inside", 10, 0.2) rotate x*-90 translate <-62, 54, -116.6> texture { pigment { srgb <0.66,0.10,0.08> } finish { diffuse 0.8 } } }
  rotate y*24 translate <10, 0, 0>
}
// a cutter and the bench's pencil
union { object { RBox(<-55, 0, -9>, <40, 12, 9>, 4) T_Plastic(<0.85,0.60,0.08>, 0.8) } object { RBox(<38, 4, -7>, <70, 5, 7>, 0.3) texture { T_Steel } } rotate y*-28 translate <-262, 0, -120> }
union { cylinder { <-70,4,0>, <60,4,0>, 4 T_Gloss(<0.10,0.16,0.36>) } cone { <60,4,0>, 4, <78,4,0>, 0.6 texture { pigment { srgb <0.78,0.60,0.40> } } } rotate y*50 translate <255, 0, -150> }
