#version 3.7;
// Contents of a parcel laid out: a film scanner, two film holders, its cable and its mains lead.
// shows: scanner, holder with film, empty holder, USB cable, mains lead
#declare Rad = 1;
#include "bench.inc"
#include "devices.inc"
Cam(<-170, 400, -640>, <10, 40, -58>, 46, <0, 70, -150>, 9)
Studio(600, 0.95, 0.38)
Wood(-3)
object { RBox(<-420, -3, -340>, <460, 0, 330>, 1.4) texture { pigment { srgb <0.18,0.34,0.30> } normal { bumps 0.2 scale 3 } finish { diffuse 0.8 specular 0.08 roughness 0.1 } } }
union { Scanner() rotate y*16 translate <-60, 0, 70> }
union { Holder(6, 1) rotate y*-6 translate <70, 0, -200> }
union { Holder(4, 0) rotate y*64 translate <206, 0, -20> }
#local P = array[12] { <-240, 4, -232>, <-290, 3.4, -200>, <-320, 3.4, -120>, <-270, 3.4, -60>, <-220, 3.4, -110>, <-250, 3.4, -190>, <-310, 3.4, -170>, <-305, 4, -80>, <-250, 6, -70>, <-232, 6, -130>, <-262, 3.4, -230>, <-190, 4, -262> }
object { Wire(P, 12, 2.8) T_Plastic(<0.12,0.12,0.125>, 0.6) }
union { object { RBox(<0, 0, -8>, <34, 9, 8>, 2) T_Plastic(<0.12,0.12,0.125>, 0.5) } object { RBox(<32, 2, -6>, <50, 7, 6>, 0.5) texture { T_Tin } } rotate y*20 translate <-190, 0, -262> }
union { object { RBox(<0, 0, -7>, <30, 9, 7>, 2) T_Plastic(<0.12,0.12,0.125>, 0.5) } object { RBox(<28, 2, -4>, <40, 7, 4>, 0.5) texture { T_Tin } } rotate y*-12 translate <-240, 0, -232> }
// mains lead
#local P = array[9] { <130, 9, 150>, <200, 5, 170>, <290, 4, 120>, <300, 4, 50>, <240, 5, 70>, <250, 6, 140>, <330, 8, 130>, <350, 9, 40>, <318, 11, -30> }
object { Wire(P, 9, 4) texture { T_Rubber } }
union { Coupler() rotate y*170 translate <130, 0, 150> }
union { Plug() rotate y*110 translate <318, 0, -30> }
