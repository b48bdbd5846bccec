#version 3.7;
// Contents of a parcel laid out: a field recorder, two microphones, cells. After=1: one that fell into a river, off,
// with mud on it and round it.
// shows: recorder, microphones, cells, lead
#declare Rad = 1;
#include "bench.inc"
#include "devices.inc"
Cam(<-60, 330, -330>, <10, 8, 6>, 40, <0, 30, -40>, 7)
Studio(380, 0.95, 0.38)
Mat(0, <0.20, 0.34, 0.46>, 0, 2)
union { Recorder(1-After) rotate y*10 translate <-50, 0, 0> }
// a small-capsule microphone lying along x
#macro Mic()
  union {
    cylinder { <-70,11,0>, <40,11,0>, 10.5 T_Plastic(<0.12,0.122,0.126>, 0.3) }
    cone { <40,11,0>, 10.5, <46,11,0>, 11.2 texture { T_Steel } } cylinder { <46,11,0>, <64,11,0>, 11.2 texture { pigment { srgb 0.10 } normal { quilted 1.5 scale 1.5 } finish { diffuse 0.5 specular 0.6 roughness 0.03 metallic reflection { 0.12 metallic } } } } cylinder { <64,11,0>, <66,11,0>, 10.6 texture { T_Steel } }
    cylinder { <-74,11,0>, <-70,11,0>, 11 texture { T_Steel } } cylinder { <-20,11,0>, <-18,11,0>, 10.7 texture { T_Gold } }
    object { Letters("OT-41", 6, 0.1) translate <10, 21.55, 0> texture { T_Print } }
  }
#end
union { Mic() rotate y*-58 translate <62, 0, 20> } union { Mic() rotate y*-64 translate <108, 0, 6> }
union { Cell(<0.10,0.20,0.42>) rotate y*8 translate <62, 0, -92> } union { Cell(<0.10,0.20,0.42>) rotate y*-4 translate <58, 0, -112> }
#local P = array[10] { <-120, 3, 110>, <-150, 2.4, 60>, <-146, 2.4, 0>, <-110, 2.4, -10>, <-104, 2.4, 44>, <-140, 2.4, 66>, <-160, 4, 20>, <-140, 4.6, -30>, <-120, 2.4, -80>, <-90, 3, -108> }
object { Wire(P, 10, 2.2) texture { T_Rubber } }
union { cylinder { 0, <24,0,0>, 5 texture { T_Rubber } } cylinder { <24,0,0>, <40,0,0>, 1.7 texture { T_Gold } } rotate y*24 translate <-90, 5, -108> }
#if (After)
  #declare T_Mud = texture { pigment { granite color_map { [0 srgb <0.17,0.12,0.07>] [1 srgb <0.36,0.27,0.17>] } scale 9 } normal { granite 0.6 scale 4 } finish { diffuse 0.75 specular 0.35 roughness 0.04 } }
  #declare R = seed(12);
  // clots on the lid and round its foot
  union {
    #local i = 0;
    #while (i < 260)
      #local px = -37+74*rand(R); #local pz = -70+140*rand(R); #local k = 0.8+3.2*pow(rand(R), 3);
      #if (pz < -6 | px < -18 | rand(R) < 0.25) sphere { 0, k scale <1+0.8*rand(R), 0.35, 1+0.8*rand(R)> translate <px, 34.9, pz> } #end
      #local i = i+1;
    #end
    rotate y*10 translate <-50, 0, 0> texture { T_Mud }
  }
  union {
    #local i = 0;
    #while (i < 200)
      #local a = 2*pi*rand(R); #local d = 1+0.28*pow(rand(R), 2); #local k = 1+3.4*pow(rand(R), 3);
      sphere { 0, k scale <1.3, 0.4, 1.3> translate <44*d*cos(a), 0.4, 78*d*sin(a)> }
      #local i = i+1;
    #end
    rotate y*10 translate <-50, 0, -6> texture { T_Mud }
  }
#end
