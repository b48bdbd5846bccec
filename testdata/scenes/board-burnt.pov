#version 3.7;
// A driver IC that has burst, with scorched board round it.
#include "bench.inc"
#include "board.inc"
Cam(<-5, 28, -28>, <0.5, 0, -0.5>, 36, <0, 1.2, -0.6>, 2.4)
Studio(60, 0.95, 0.35)
Mat(-8, <0.20, 0.34, 0.46>, 0, 0.6)
BoardStart(-36, -30, 36, 36, <0.04, 0.26, 0.42>, 41)
Keepout(-3.2, -4.2, 3.2, 4.2)
R1206(8.4, -1, 90, "R10") R1206(11.6, -1, 90, "R10") C1206(-8.6, 2.5, 90) C1206(-11.8, 2.5, 90) R0805(-8.4, -5, 0, "103")
R0805(-8.4, -7.8, 0, "473") R0805(2, -9.2, 90, "101") R0805(-1, -9.2, 90, "101")
Ic(1, 15.5, 0, 14, 1.27, 4.2, 1.6, "OT 084", "2219 A")
Cap(-14.5, 14, 20, 4, 10, <0.10,0.11,0.12>, <0.72,0.72,0.70>, "220uF", "35V", 0, 0)
Cap(17, 8, -10, 4, 10, <0.10,0.11,0.12>, <0.72,0.72,0.70>, "220uF", "35V", 0, 0)
Silk(8.4, -5.2, "R31", 1.0, 0) Silk(12, -5.2, "R32", 1.0, 0) Silk(-13.2, -5, "R27", 1.0, 0) Silk(5.3, 6.2, "U6", 1.2, 0) Silk(-13.2, -7.8, "R28", 1.0, 0)
Pad(-1.9, -4.0, 0, -1) Pad(-0.63, -4.0, 0, -1) Pad(0.63, -4.0, 0, -1) Pad(1.9, -4.0, 0, -1) Pad(-1.9, 4, 0, 1) Pad(-0.63, 4, 0, 1) Pad(0.63, 4, 0, 1) Pad(1.9, 4, 0, 1)
Route(90)
Scorch(0.7, -1.0, 10)
// the burst part: the middle of its lid is gone
#declare Crater = blob { threshold 0.4
  sphere { <0.7, 1.75, -0.4>, 2.1, 1 } sphere { <1.6, 1.9, 0.3>, 1.5, 1 } sphere { <-0.5, 1.95, -0.9>, 1.2, 1 } sphere { <1.1, 1.8, -1.6>, 1.3, 1 }
  texture { pigment { granite color_map { [0 srgb 0.04] [0.45 srgb <0.16,0.13,0.11>] [0.7 srgb <0.42,0.37,0.31>] [1 srgb <0.62,0.57,0.50>] } scale 1.1 } normal { granite 1.0 scale 0.5 } finish { diffuse 0.85 specular 0.08 roughness 0.1 } } }
object { IcBody(8, 1.27, 4.2, 1.6, ".", ".") }
#undef Crater
// what is left of its lettering
object { Letters("H 77", 0.7, 0.01) translate <-1.2, 1.63, 0.9> texture { T_Laser } }
// soot on what is left
intersection {
  box { <-2.9, 1.600, -2.1>, <2.9, 1.625, 2.1> }
  cylinder { <0.7, 1, -0.5>, <0.7, 2, -0.5>, 4 }
  texture { pigment { spherical turbulence 0.35 color_map { [0 srgbt <0.1,0.08,0.06,1>] [0.3 srgbt <0.1,0.08,0.06,0.7>] [0.55 srgbt <0.05,0.04,0.035,0.3>] [0.62 srgbt <0.03,0.03,0.03,1>] [1 srgbt <0.03,0.03,0.03,1>] } scale 3.3 translate <0.7, 1.6, -0.5> } normal { granite 0.5 scale 0.5 } finish { diffuse 0.6 } }
  no_shadow
}
// crumbs of moulding and a bead of blown-out solder
#local rs = seed(3); #local i = 0;
#while (i < 60)
  #local a = rand(rs)*360; #local d = 2.2+pow(rand(rs), 2)*7; #local s = 0.06+pow(rand(rs), 3)*0.34;
  box { <-1,-0.7,-0.8>, <0.8,0.7,1> scale s rotate <rand(rs)*90, rand(rs)*90, 0> translate <0.7+d*cos(radians(a)), s*0.7, -0.6+d*sin(radians(a))> texture { T_Soot } }
  #local i = i+1;
#end
sphere { <4.9, 0.3, -3.0>, 0.36 texture { T_Solder } } sphere { <-3.6, 0.2, -3.8>, 0.22 texture { T_Solder } } sphere { <3.4, 0.18, -5.0>, 0.18 texture { T_Solder } }
