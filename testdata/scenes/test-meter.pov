#version 3.7;
// A repaired board on test: the meter reads its 12 V rail.
#include "bench.inc"
#include "board.inc"
#include "devices.inc"
Cam(<-40, 215, -225>, <-8, 8, -14>, 50, <-30, 16, -34>, 5)
Studio(260, 0.95, 0.36)
Mat(-6, <0.20, 0.34, 0.46>, 0, 1.6)
union { Meter("12.05", "V =") rotate y*14 translate <-80, -6, 4> }
union {
BoardStart(-46, -32, 46, 32, <0.05, 0.27, 0.13>, 11)
Qfp(-6, 3, 16, 0.8, 14, "HLD 2416", "K 0724")
Ic(22, 12, 0, 16, 1.27, 4.2, 1.6, "OT 4052", "2231 B") Ic(-31, 12, 90, 20, 1.27, 7.4, 2.3, "HLD 7331", "K 1120")
Cap(38, -22, 0, 4, 11, <0.13,0.10,0.08>, <0.86,0.72,0.34>, "470uF", "25V", 0, 0) Cap(28, -22, 20, 4, 11, <0.13,0.10,0.08>, <0.86,0.72,0.34>, "470uF", "25V", 0, 0) Cap(-40, -23, 30, 3.1, 9, <0.13,0.10,0.08>, <0.86,0.72,0.34>, "100uF", "25V", 0, 0)
Header(-20, 26, 0, 6) Header(4, 26, 0, 8) Header(30, 26, 0, 4) Header(-17, -26, 180, 5)
#local i = 0;
#while (i < 9) R0805(10+mod(i,3)*4.2, -16+int(i/3)*2.6, 0, "103") C0805(-22+mod(i,3)*4.4, -16+int(i/3)*2.5, 0) #local i = i+1; #end
#local i = 0;
#while (i < 6) R1206(9, 16-i*3.0, 0, "472") C0805(36, 17-i*2.2, 0) C0805(-20, 11-i*3.1, 90) #local i = i+1; #end
cylinder { <14, 0, -26>, <14, 0.1, -26>, 1.4 texture { T_Gold } } cylinder { <6, 0, -26>, <6, 0.1, -26>, 1.4 texture { T_Gold } }
Silk(14, -29.4, "+12V", 1.4, 0) Silk(6, -29.4, "GND", 1.4, 0)
MountHole(-42, 28, 1.6) MountHole(42, 28, 1.6) MountHole(-43.0, -29, 1.4)
Route(50)
union { Probe(<0.62,0.05,0.05>) rotate z*32 rotate y*38 translate <14, 0.1, -26> }
union { Probe(<0.06,0.06,0.065>) rotate z*30 rotate y*84 translate <6, 0.1, -26> }
scale 1.25 rotate y*-8 translate <46, -2, 14>
}
// leads
#local A = array[7] { <-61, 35, -66>, <-50, 42, -92>, <-10, 6, -112>, <60, -3, -108>, <120, 6, -120>, <160, 40, -120>, <150, 62, -90> }
object { Wire(A, 7, 2.2) T_Plastic(<0.62,0.05,0.05>, 0.4) }
#local B = array[5] { <-82, 35, -64>, <-80, 40, -94>, <-40, 2, -126>, <20, -3, -132>, <60, 10, -140> }
object { Wire(B, 5, 2.2) T_Plastic(<0.06,0.06,0.065>, 0.4) }
