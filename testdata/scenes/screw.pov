#version 3.7;
// Corner of a board on its bosses. After=0: one screw is missing and a shorter
// wrong one lies beside the hole. After=1: both fitted.
#include "bench.inc"
#include "board.inc"
Cam(<-4, 33, -33>, <0.5, 0, 1.6>, 45, <5, 0.6, -0.4>, 1.8)
Studio(50, 0.95, 0.35)
// the floor of the case and two bosses
plane { y, -9 T_Plastic(<0.42,0.43,0.44>, 0.5) }
cylinder { <11, -9, 0>, <11, -1.6, 0>, 3.6 T_Plastic(<0.36,0.37,0.38>, 0.4) }
cylinder { <-15, -9, 0>, <-15, -1.6, 0>, 3.6 T_Plastic(<0.36,0.37,0.38>, 0.4) }
object { RBox(<21, -9, -60>, <24, 7, 60>, 0.6) T_Plastic(<0.36,0.37,0.38>, 0.5) }
union {
BoardStart(-40, -7.5, 18.5, 40, <0.04, 0.22, 0.40>, 88)
MountHole(11, 0, 1.75) MountHole(-15, 0, 1.75)
Cap(-3, 10, 20, 4, 10, <0.10,0.11,0.12>, <0.72,0.72,0.70>, "220uF", "35V", 0, 0)
Ic(9.5, 14, 0, 14, 1.27, 4.2, 1.6, "OT 084", "2219 A") R1206(-5, 0.8, 0, "472") R1206(-5, -2.2, 0, "103") C1206(1.8, 0.8, 0) R0805(1.6, -2.2, 0, "220") C1206(-13, 10, 90) C1206(-16.4, 10, 90) R0805(-9.6, 11, 90, "101") R0805(15, 6.8, 90, "101")
Header(-16, 22, 0, 6) Silk(6.4, 3.6, "H2", 1.2, 0) Silk(-9.6, 3.2, "H1", 1.2, 0) Silk(-8, -5.4, "HALDEN  FS-35", 1.3, 0)
Route(70)
}
object { Screw(2.9, 7, T_Steel) translate <-15, 0.06, 0> rotate y*0 }
#if (After)
  object { Screw(2.9, 7, T_Steel) rotate y*31 translate <11, 0.06, 0> }
#else
  // brass insert seen through the hole
  difference { cylinder { <11, -0.9, 0>, <11, -0.42, 0>, 1.74 } cylinder { <11, -2, 0>, <11, 0, 0>, 1.05 } texture { T_Gold } }
  object { Screw(2.0, 3.2, texture { pigment { srgb <0.09,0.09,0.10> } finish { diffuse 0.6 specular 0.7 roughness 0.02 reflection { 0.05, 0.25 falloff 3 } } }) rotate z*112 rotate y*32 translate <5.4, 1.9, -4.2> }
  // ring of bright metal where the right head sat
  torus { 2.75, 0.12 scale <1, 0.3, 1> translate <11, 0.05, 0> texture { T_SolderDull } }
#end
