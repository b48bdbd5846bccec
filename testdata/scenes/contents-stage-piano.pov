#version 3.7;
// Contents of a parcel laid out: a stage piano, its supply and its pedal.
// shows: piano, adaptor, pedal
#declare Rad = 1;
#include "bench.inc"
#include "devices.inc"
Cam(<-200, 1000, -1150>, <30, 0, -110>, 56, <-20, 90, -120>, 18)
Studio(1300, 0.95, 0.38)
Wood(-4)
object { RBox(<-760, -4, -520>, <760, 0, 260>, 2) texture { pigment { srgb <0.22,0.36,0.47> } normal { bumps 0.2 scale 5 } finish { diffuse 0.8 specular 0.08 roughness 0.1 } } }
object { Piano() rotate y*3 translate <0, 0, 20> }
union { Pedal() scale 1.35 rotate y*-18 translate <250, 0, -370> }
#local P = array[7] { <262, 18, -250>, <300, 5, -215>, <400, 4, -250>, <430, 4, -330>, <390, 4, -410>, <440, 4, -460>, <540, 4, -430> }
object { Wire(P, 7, 4) texture { T_Rubber } }
object { RBox(<0, 0, -9>, <50, 14, 9>, 5) rotate y*-16 translate <534, -2, -432> T_Plastic(<0.08,0.08,0.085>, 1) }
union { Adaptor() scale 1.35 rotate y*28 translate <-330, 0, -350> }
#local Q = array[9] { <-360, 19, -420>, <-380, 5, -460>, <-300, 4, -470>, <-160, 4, -430>, <-80, 4, -370>, <-140, 4, -310>, <-220, 5, -340>, <-150, 9, -420>, <20, 4, -400> }
object { Wire(Q, 9, 3.4) texture { T_Rubber } }
cylinder { <20, 5, -400>, <52, 5, -394>, 8 texture { T_Rubber } } cylinder { <52, 5, -394>, <74, 5, -390>, 4 texture { T_Tin } }
